"""How often what is said of a measured table is true, over many mechanisms from seeds."""

from __future__ import annotations

import random
from dataclasses import dataclass, field
from statistics import fmean, median

import numpy as np

from conformance.measure.arrivals import Arrivals, arrivals_of
from conformance.measure.causes import Shown, causes
from conformance.measure.choice import choose
from conformance.measure.fit.curve import LineFit, fit_line, half_width
from conformance.measure.fit.terms import Kind, Term
from reference_node.mechanism.imperfection import Eccentric, Mechanism, SlippedTooth
from tests.measure.survey import HIGH, LOW, mechanism, survey

_ASKED = 10
"""Readings at which each table is asked."""


@dataclass(slots=True)
class Outcome:
    """One entry a seed."""

    named: list[tuple[str, ...]] = field(default_factory=list)
    covered: list[float] = field(default_factory=list)
    """Share of readings at which the truth lies in the 95 % interval."""
    ratio: list[float] = field(default_factory=list)
    """Width of the intervals over that of the fit that is told what was planted."""

    def share_named(self, name: str) -> float:
        """How often that was named."""
        return fmean(name in one for one in self.named)

    @property
    def coverage(self) -> float:
        """Over all seeds and readings."""
        return fmean(self.covered)

    @property
    def width(self) -> float:
        """The median."""
        return median(self.ratio)

    def add(self, planted: str, seed: int, *, size: float = 3.0, arrivals: int = 24) -> None:
        """Measure one mechanism and see whether what is said is true."""
        rng = random.Random(f"{planted} {size} {arrivals} {seed}")
        truth = mechanism(planted, rng, size)
        found = arrivals_of(survey(truth, rng, arrivals))
        shown = causes(found, np.random.default_rng(seed))
        curve = choose(found, shown).curve
        at = np.array([rng.uniform(LOW, HIGH) for _ in range(_ASKED)])
        width = half_width(curve, at)
        true = np.array([truth.position(float(reading)) for reading in at])
        self.named.append(shown.named)
        self.covered.append(float(np.mean(np.abs(curve.position(at) - true) <= width)))
        self.ratio.append(float(np.mean(width) / np.mean(half_width(told(found, shown, truth, planted), at))))


def told(found: Arrivals, shown: Shown, truth: Mechanism, planted: str) -> LineFit:
    """The fit of somebody who knows what was planted, and where; for comparison alone."""
    wave = next((one for one in truth.imperfections if isinstance(one, Eccentric)), None)
    tooth = next((one for one in truth.imperfections if isinstance(one, SlippedTooth)), None)
    terms: tuple[Term, ...] = ()
    if wave is not None:
        terms = (Term(Kind.PERIOD, wave.length),)
    elif tooth is not None:
        terms = (Term(Kind.STEP, tooth.after),)
    elif planted == "curvature":
        terms = (Term(Kind.CURVATURE),)
    elif planted == "drift":
        terms = (Term(Kind.DRIFT),)
    by_train = shown.weights if planted == "trains" else np.ones(found.number)
    return fit_line(found, terms, by_train)
