"""Control charts as handbooks have them: individuals with moving range, and EWMA.

NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2 (individuals) and 6.3.2.4 (EWMA).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import accumulate, pairwise
from statistics import fmean

D2 = 1.128
"""Mean range of two from a normal distribution, in standard deviations."""
D4 = 3.267
"""Upper limit of a moving range of two over its mean, at three standard deviations."""
WEIGHT = 0.2
"""Of the newest value in an EWMA; 0.2 to 0.3 is usual."""


@dataclass(frozen=True, slots=True)
class Individuals:
    """Limits of a chart of single values, learned from values."""

    centre: float
    mean_range: float
    """Mean of the differences of neighbours."""
    lower: float
    upper: float
    range_upper: float
    """Limit of the moving range."""

    @property
    def sigma(self) -> float:
        """Standard deviation, from the moving ranges."""
        return self.mean_range / D2


def moving_ranges(values: Sequence[float]) -> list[float]:
    """How far each value lies from the one before."""
    return [abs(after - before) for before, after in pairwise(values)]


def individuals(values: Sequence[float], sigmas: float = 3.0) -> Individuals:
    """The limits that at least two values teach."""
    centre, mean_range = fmean(values), fmean(moving_ranges(values))
    room = sigmas * mean_range / D2
    return Individuals(centre, mean_range, centre - room, centre + room, D4 * mean_range)


def ewma(values: Sequence[float], start: float, weight: float = WEIGHT) -> list[float]:
    """The exponentially weighted moving average behind each value; `start` stands before the first."""
    keep = 1 - weight
    averages = accumulate(values, lambda before, value: weight * value + keep * before, initial=start)
    next(averages)
    return list(averages)


def ewma_room(sigma: float, sigmas: float, weight: float = WEIGHT, *, known: float = 0.0) -> float:
    """How far the EWMA may lie from the centre in the long run; `known` is the variance of the centre over sigma^2."""
    return sigmas * sigma * math.sqrt(weight / (2 - weight) + known)
