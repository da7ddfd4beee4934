"""What may be added to a straight line: each term is what one imperfection of a mechanism leaves in the positions."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from conformance.measure.arrivals import Arrivals
from conformance.measure.fit.least_squares import Array


class Kind(StrEnum):
    """The name of a term."""

    CURVATURE = "curvature"
    PERIOD = "period"
    STEP = "step"
    GAP = "gap"
    DRIFT = "drift"


OF_THE_READING = frozenset({Kind.CURVATURE, Kind.PERIOD, Kind.STEP})
"""Terms that shape the table; the others say under which conditions a position was taken."""
_LEAST_POINTS = {Kind.CURVATURE: 5, Kind.PERIOD: 7, Kind.STEP: 6, Kind.GAP: 6, Kind.DRIFT: 6}
_MOST_PERIODS = 60
_MOST_EDGES = 300
_LONGEST = 0.95
"""Of the range: a longer wave cannot be told from a bend."""


@dataclass(frozen=True, slots=True)
class Term:
    """One term; `figure` is the length of a period or the reading behind which a step lies."""

    kind: Kind
    figure: float = 0.0

    @property
    def parameters(self) -> int:
        """What it adds to the number of parameters: a length or a place that was looked for counts too."""
        return {Kind.PERIOD: 3, Kind.STEP: 2}.get(self.kind, 1)


@dataclass(frozen=True, slots=True)
class Span:
    """The range of the readings, by which they are scaled."""

    low: float
    high: float

    @property
    def middle(self) -> float:
        """Half way."""
        return (self.low + self.high) / 2

    @property
    def half(self) -> float:
        """Half the range."""
        return (self.high - self.low) / 2

    def scaled(self, reading: Array) -> Array:
        """-1 to 1 over the range."""
        return (reading - self.middle) / self.half


def line_columns(span: Span, reading: Array) -> Array:
    """The columns of a straight line."""
    return np.column_stack([np.ones_like(reading), span.scaled(reading)])


def shape_columns(term: Term, span: Span, reading: Array) -> Array:
    """The columns of a term over readings; those of the conditions are 0: a table is for the middle of them."""
    if term.kind is Kind.CURVATURE:
        # Zero at both ends of the range: the coefficient is the bend in the middle, against the chord.
        found: Array = (1 - span.scaled(reading) ** 2)[:, None]
        return found
    if term.kind is Kind.PERIOD:
        angle = 2 * math.pi * (reading - span.middle) / term.figure
        return np.column_stack([np.cos(angle), np.sin(angle)])
    if term.kind is Kind.STEP:
        return (reading > term.figure).astype(float)[:, None]
    return np.zeros((len(reading), 1))


def columns_of(term: Term, span: Span, arrivals: Arrivals) -> Array:
    """The columns of a term at the arrivals."""
    if term.kind is Kind.GAP:
        return arrivals.side[:, None] / 2
    if term.kind is Kind.DRIFT:
        assert arrivals.hours is not None
        return arrivals.hours[:, None]
    return shape_columns(term, span, arrivals.reading)


def span_of(arrivals: Arrivals) -> Span:
    """The range that was measured."""
    return Span(float(arrivals.reading.min()), float(arrivals.reading.max()))


def candidates(kind: Kind, arrivals: Arrivals) -> list[Term]:
    """The terms of one kind that these arrivals could show; none where they are too few."""
    distinct = arrivals.distinct
    if len(distinct) < _LEAST_POINTS[kind] or arrivals.number < _LEAST_POINTS[kind]:
        return []
    if kind is Kind.CURVATURE:
        return [Term(kind)]
    if kind is Kind.PERIOD:
        return [Term(kind, length) for length in _lengths(distinct)]
    if kind is Kind.STEP:
        # Two readings at least on either side: one alone is an outlier.
        edges = (distinct[1:-2] + distinct[2:-1]) / 2
        some = np.unique(np.linspace(0, len(edges) - 1, _MOST_EDGES).round().astype(int))
        return [Term(kind, float(edge)) for edge in edges[some]]
    if kind is Kind.GAP:
        sides = [int(np.sum(arrivals.side == side)) for side in (1, -1)]
        return [Term(kind)] if min(sides) >= 2 else []
    return [Term(kind)] if arrivals.hours is not None and np.ptp(arrivals.hours) > 0 else []


def _lengths(distinct: Array) -> Sequence[float]:
    """Lengths to look at: from a little less than the range down to two readings and a half a wave."""
    span = float(distinct[-1] - distinct[0])
    most = (len(distinct) - 1) / 2.5
    if most <= 1 / _LONGEST:
        return []
    number = min(_MOST_PERIODS, max(2, round((most - 1 / _LONGEST) / 0.15)))
    return [float(span / waves) for waves in np.linspace(1 / _LONGEST, most, number)]
