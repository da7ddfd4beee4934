"""Where one more arrival helps most, and whether any more are needed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from conformance.measure.arrivals import Arrivals
from conformance.measure.causes import Shown
from conformance.measure.fit.curve import Curve, LineFit, factor, half_width
from conformance.measure.fit.interpolants import Interpolant
from conformance.measure.fit.least_squares import Array
from conformance.measure.fit.terms import columns_of, line_columns, shape_columns, span_of
from conformance.measure.fit.weighed import Weighed

_LOOKED_AT = 61


@dataclass(frozen=True, slots=True)
class Next:
    """The reading to measure at next, the bound now, and what one more arrival there may be expected to make of it.

    `enough` where the bound is what was asked for or less.
    """

    reading: int
    bound: float
    expected: float
    needed: float | None

    @property
    def enough(self) -> bool | None:
        """None where nobody said what is needed."""
        return None if self.needed is None else self.bound <= self.needed


def next_point(arrivals: Arrivals, curve: Curve, shown: Shown, needed: float | None) -> Next:
    """Look at readings over the range for the one that lowers the largest half-width most."""
    grid = np.linspace(arrivals.reading.min(), arrivals.reading.max(), _LOOKED_AT)
    bound = float(half_width(curve, grid).max())
    if isinstance(curve, Interpolant):
        reading, expected = _in_the_widest(curve, grid)
    else:
        taken = curve.taken if isinstance(curve, Weighed) else curve
        assert isinstance(taken, LineFit)
        reading, ratio = _by_design(arrivals, taken, shown.weights, grid)
        expected = bound * ratio
        if taken.edges:
            low, high = max(taken.edges, key=lambda edge: edge[1] - edge[0])
            # Nobody knows on which side of the step a reading between them lies: halve that gap.
            if high - low > 2:
                reading, expected = (low + high) / 2, bound / 2
    return Next(round(reading), bound, min(expected, bound), needed)


def _in_the_widest(curve: Interpolant, grid: Array) -> tuple[float, float]:
    """Half way in the piece with the largest bound: halving a gap quarters what its shape may hide."""
    x = curve.points.reading
    middles = (x[1:] + x[:-1]) / 2
    bounds = half_width(curve, middles)
    widest = int(bounds.argmax())
    others = np.delete(bounds, widest)
    rest = float(factor(curve.dof) * curve.standard(middles[widest : widest + 1])[0])
    quarter = rest + float(curve.bias(middles[widest : widest + 1])[0]) / 4
    del grid
    return float(middles[widest]), max(quarter, float(others.max()) if len(others) else 0.0)


def _by_design(arrivals: Arrivals, fit: LineFit, weights: Array, grid: Array) -> tuple[float, float]:
    """Sequential design: the point after which the largest variance over the range is least (G-optimality).

    Gives the point, and the largest standard uncertainty then over that of now.
    """
    span = span_of(arrivals)
    blocks = [line_columns(span, arrivals.reading), *(columns_of(t, span, arrivals) for t in fit.terms)]
    rows = np.column_stack(blocks) / weights[:, None]
    there = np.column_stack([line_columns(span, grid), *(shape_columns(t, span, grid) for t in fit.terms)])
    information = rows.T @ rows
    best, least = float(grid[0]), np.inf
    for number, reading in enumerate(grid):
        inverse = np.linalg.pinv(information + np.outer(there[number], there[number]))
        largest = float(np.einsum("ij,jk,ik->i", there, inverse, there).max())
        if largest < least - 1e-12:
            best, least = float(reading), largest
    now = float(np.einsum("ij,jk,ik->i", there, np.linalg.pinv(information), there).max())
    return best, float(np.sqrt(least / now))
