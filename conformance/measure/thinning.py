"""The table that a board can hold: whole numbers, few points, with the least error that so many allow."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from conformance.measure.fit.curve import Curve
from conformance.measure.fit.interpolants import Interpolant
from conformance.measure.fit.least_squares import Array
from conformance.measure.fit.weighed import Weighed
from protocol.position_table import PositionTable
from protocol.trouble import Trouble

MOST_POINTS = 32
"""That the site file takes."""
_CANDIDATES = 160
_MOST_CORNERS = 240
"""Corners that may become points, evenly taken: a curve has as many as there are pairs."""
_MOST_SEEN = 4096
"""Readings at which a piece is held against the curve while points are chosen, evenly spread where there are more."""
_NO_WORSE = 1.05
"""A point more has to lower the error by more than this factor."""
_CLOSE = 0.15
"""Of a unit, before the position is rounded: closer than that no more points are spent."""


@dataclass(frozen=True, slots=True)
class Thinned:
    """A table and how far it is off the curve at worst, rounding counted, in the axis's unit."""

    points: tuple[tuple[int, int], ...]
    worst: float


def thin(curve: Curve, low: float, high: float, most: int = MOST_POINTS) -> Thinned:
    """The table over whole readings from `low` to `high` with at most `most` points.

    The points lie on whole readings of the curve; among all choices of so many, the largest error is least (dynamic
    programming). Raises Trouble for fewer than two readings, and for positions that do not fit in 16 bits.
    """
    readings = np.arange(np.ceil(low), np.floor(high) + 1)
    if len(readings) < 2 or most < 2:
        raise Trouble("a table needs two whole readings or more", fix="Measure over a wider range")
    exact = curve.position(readings)
    whole = np.where(exact >= 0, np.floor(exact + 0.5), np.ceil(exact - 0.5))
    if np.abs(whole).max() > 32767:
        raise Trouble("a position does not fit in 16 bits", fix="Measure positions in a larger unit")
    knots = _knots(curve, readings)
    cost = _costs(readings, exact, whole, knots)
    chosen = _best(cost, most, floor=_CLOSE)
    points = tuple((int(readings[knots[index]]), int(whole[knots[index]])) for index in chosen)
    table = PositionTable(points)
    worst = max(abs(table.position(int(r)) - e) for r, e in zip(readings, exact, strict=True))
    return Thinned(points, float(worst))


def _knots(curve: Curve, readings: Array) -> list[int]:
    """Readings that may become points: evenly spread, and wherever the curve has a corner."""
    spread = set(
        np.linspace(0, len(readings) - 1, min(_CANDIDATES, len(readings))).round().astype(int).tolist()
    )
    taken = curve.taken if isinstance(curve, Weighed) else curve
    corners: list[float] = []
    if isinstance(taken, Interpolant):
        corners = taken.points.reading.tolist()
    else:
        corners = [end for edge in getattr(taken, "edges", ()) for end in edge]
    inside = sorted(
        {int(corner - readings[0]) for corner in corners if readings[0] <= corner <= readings[-1]}
    )
    return sorted(spread.union(inside[:: 1 + len(inside) // _MOST_CORNERS]))


def _costs(readings: Array, exact: Array, whole: Array, knots: list[int]) -> Array:
    """The largest error of one straight piece from knot to knot; infinite where there is none."""
    number = len(knots)
    seen = np.union1d(
        np.linspace(0, len(readings) - 1, min(_MOST_SEEN, len(readings))).round().astype(int), knots
    )
    cost = np.full((number, number), np.inf)
    for first in range(number - 1):
        for last in range(first + 1, number):
            a, b = knots[first], knots[last]
            inside = seen[np.searchsorted(seen, a) : np.searchsorted(seen, b) + 1]
            way = (readings[inside] - readings[a]) / (readings[b] - readings[a])
            cost[first, last] = np.abs(whole[a] + (whole[b] - whole[a]) * way - exact[inside]).max()
    return cost


def _best(cost: Array, most: int, floor: float) -> list[int]:
    """The path from the first knot to the last with the least largest cost, no longer than what that takes."""
    number = len(cost)
    reach = [cost[0].copy()]
    reach[0][0] = 0.0
    before: list[list[int]] = []
    for _ in range(min(most, number) - 2):
        through = np.maximum(reach[-1][:, None], cost)
        before.append(through.argmin(axis=0).tolist())
        reach.append(np.minimum(through.min(axis=0), np.inf))
    ends = [row[-1] for row in reach]
    enough = max(min(ends) * _NO_WORSE, floor)
    pieces = next(index for index, end in enumerate(ends) if end <= enough)
    path = [number - 1]
    for level in range(pieces - 1, -1, -1):
        path.append(before[level][path[-1]])
    path.append(0)
    return sorted(set(path))
