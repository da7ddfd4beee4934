"""A curve whose uncertainty counts the other curves that the same points allow.

A bend or a step that the points do not show may be there all the same. Every alternative counts by Akaike's weight
(Burnham and Anderson, Model Selection and Multimodel Inference, 2002, section 4.3.2): the uncertainty is the mean
of sqrt(its own variance + its distance from the curve that is taken, squared).
"""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass

import numpy as np

from conformance.measure.arrivals import Arrivals
from conformance.measure.fit.curve import LineFit, fit_line
from conformance.measure.fit.least_squares import Array
from conformance.measure.fit.terms import OF_THE_READING, candidates


@dataclass(frozen=True, slots=True)
class Weighed:
    """`taken`, with the uncertainty that the alternatives leave."""

    taken: LineFit
    alternatives: tuple[tuple[float, LineFit], ...]
    """Their weights, together with that of `taken` 1."""

    @property
    def name(self) -> str:
        """The family, in words."""
        return self.taken.name

    @property
    def sigma(self) -> float:
        """Scatter of one arrival."""
        return self.taken.sigma

    @property
    def dof(self) -> float:
        """Degrees of freedom of that."""
        return self.taken.dof

    def position(self, reading: Array) -> Array:
        """The position for each reading."""
        return self.taken.position(reading)

    def standard(self, reading: Array) -> Array:
        """Standard uncertainty, the alternatives counted."""
        own = 1 - sum(weight for weight, _ in self.alternatives)
        middle = self.taken.position(reading)
        total = own * self.taken.standard(reading)
        for weight, other in self.alternatives:
            total = total + weight * np.hypot(other.standard(reading), other.position(reading) - middle)
        return np.asarray(total)

    def bias(self, reading: Array) -> Array:
        """That of the curve that is taken."""
        return self.taken.bias(reading)


def weighed(arrivals: Arrivals, taken: LineFit, plain: LineFit, weights: Array) -> Weighed:
    """`taken` against the plain line, and against each further term at every length and place that could be."""
    have = {term.kind for term in taken.terms}
    fits: list[tuple[float, LineFit]] = [(1.0, plain)] if plain.terms != taken.terms else []
    for kind in sorted(OF_THE_READING - have):
        found = candidates(kind, arrivals)
        for term in found:
            with suppress(ValueError):
                # A length or a place that is one of many is as likely as all of them together are.
                fits.append((1 / len(found), fit_line(arrivals, (*taken.terms, term), weights, settled=True)))
    best = _score(taken, 1.0)
    if best is None:
        return Weighed(taken, ())
    scores = [(score - best, fit) for share, fit in fits if (score := _score(fit, share)) is not None]
    total = 1 + sum(float(np.exp(-min(score, 60.0) / 2)) for score, _ in scores)
    return Weighed(taken, _kept(scores, total))


def _kept(scores: Sequence[tuple[float, LineFit]], total: float) -> tuple[tuple[float, LineFit], ...]:
    found = [(float(np.exp(-score / 2)) / total, fit) for score, fit in scores]
    return tuple((weight, fit) for weight, fit in found if weight > 1e-4)


def _score(fit: LineFit, share: float) -> float | None:
    return None if fit.aicc is None else fit.aicc - 2 * float(np.log(share))
