"""Curves that go through the points: straight pieces, and a monotone cubic (PCHIP)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from conformance.measure.arrivals import Arrivals
from conformance.measure.fit.bound import piece_bounds
from conformance.measure.fit.least_squares import Array


@dataclass(frozen=True, slots=True)
class Points:
    """Mean positions at rising readings; `share` is the uncertainty of each over the scatter of one arrival."""

    reading: Array
    position: Array
    share: Array


def points_of(arrivals: Arrivals) -> Points:
    """One point a reading."""
    reading, inverse, counts = np.unique(arrivals.reading, return_inverse=True, return_counts=True)
    position = np.bincount(inverse, weights=arrivals.position) / counts
    return Points(reading, position, 1 / np.sqrt(counts))


def scatter_between_neighbours(points: Points) -> float:
    """Scatter of one arrival, from how far each point lies off the chord of its neighbours.

    Gasser, Sroka and Jennen-Steinmetz, Biometrika 73 (1986): what a smooth curve adds to it vanishes with the gaps.
    """
    x, y = points.reading, points.position
    right = (x[1:-1] - x[:-2]) / (x[2:] - x[:-2])
    off = (1 - right) * y[:-2] + right * y[2:] - y[1:-1]
    spread = (
        ((1 - right) * points.share[:-2]) ** 2 + (right * points.share[2:]) ** 2 + points.share[1:-1] ** 2
    )
    return float(np.sqrt(np.mean(off**2 / spread)))


@dataclass(frozen=True, slots=True)
class Interpolant:
    """Straight pieces or a monotone cubic through points."""

    points: Points
    sigma: float
    dof: float
    monotone: bool

    @property
    def name(self) -> str:
        """The family, in words."""
        return "monotone cubic" if self.monotone else "straight pieces"

    def position(self, reading: Array) -> Array:
        """The position for each reading; beyond the points that of the outermost."""
        reading = np.clip(reading, self.points.reading[0], self.points.reading[-1])
        if not self.monotone:
            return np.asarray(np.interp(reading, self.points.reading, self.points.position))
        return monotone_cubic(self.points.reading, self.points.position, reading)

    def standard(self, reading: Array) -> Array:
        """What the scatter of both neighbours leaves between them."""
        x, share = self.points.reading, self.points.share * self.sigma
        after = np.clip(np.searchsorted(x, reading), 1, len(x) - 1)
        way = np.clip((reading - x[after - 1]) / (x[after] - x[after - 1]), 0, 1)
        return np.asarray(np.hypot((1 - way) * share[after - 1], way * share[after]))

    def bias(self, reading: Array) -> Array:
        """The most that the curve may be off a smooth one between its points: full in the middle, 0 at a point."""
        x = self.points.reading
        after = np.clip(np.searchsorted(x, reading), 1, len(x) - 1)
        way = np.clip((reading - x[after - 1]) / (x[after] - x[after - 1]), 0, 1)
        return np.asarray(piece_bounds(x, self.points.position)[after - 1] * 4 * way * (1 - way))


def monotone_cubic(x: Array, y: Array, at: Array) -> Array:
    """PCHIP (Fritsch and Carlson, SIAM J. Numer. Anal. 17, 1980), as scipy has it."""
    from scipy.interpolate import PchipInterpolator

    return np.asarray(PchipInterpolator(x, y)(at))
