"""How far straight pieces may be off the curve that they stand for.

With points h apart they err by at most h^2 / 8 * max|f''| (numerical analysis textbooks). The second derivative comes
from divided differences: f'' = 2 f[x0, x1, x2] somewhere between x0 and x2.
"""

from __future__ import annotations

import numpy as np

from conformance.measure.fit.least_squares import Array


def second_derivatives(x: Array, y: Array) -> Array:
    """Twice the second divided difference of each three points in a row."""
    slopes = np.diff(y) / np.diff(x)
    return np.asarray(2 * np.diff(slopes) / (x[2:] - x[:-2]))


def piece_bounds(x: Array, y: Array) -> Array:
    """h^2 / 8 |f''| of each piece, with the larger second derivative of the triples that it belongs to."""
    bends = np.abs(second_derivatives(x, y))
    if not len(bends):
        return np.full(len(x) - 1, np.nan)
    before = np.concatenate([bends[:1], bends])
    after = np.concatenate([bends, bends[-1:]])
    return np.asarray(np.diff(x) ** 2 / 8 * np.maximum(before, after))


def left_out_errors(x: Array, y: Array) -> Array:
    """How far each inner point lies off the chord of its neighbours: straight pieces without it."""
    way = (x[1:-1] - x[:-2]) / (x[2:] - x[:-2])
    return np.asarray(np.abs(y[1:-1] - (1 - way) * y[:-2] - way * y[2:]))


def worst(x: Array, y: Array) -> tuple[float, float]:
    """The worst piece by divided differences, and the worst point left out, in units of y."""
    return float(np.max(piece_bounds(x, y))), float(np.max(left_out_errors(x, y)))
