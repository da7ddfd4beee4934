"""Quantiles that limits are made of: Student's t, and how many rare events a run may have."""

from __future__ import annotations

import math
from functools import lru_cache

GRID = 40
"""Steps of each numerical integration."""


def t_tail(t: float, dof: int) -> float:
    """Probability that Student's t with `dof` degrees of freedom exceeds t >= 0.

    The finite sums of Abramowitz and Stegun, Handbook of Mathematical Functions, 26.7.3 and 26.7.4.
    """
    angle = math.atan(t / math.sqrt(dof))
    cosine2 = math.cos(angle) ** 2
    total = term = 1.0 if dof % 2 == 0 else math.cos(angle)
    for below in range(2 if dof % 2 == 0 else 3, dof - 1, 2):
        term *= cosine2 * (below - 1) / below
        total += term
    if dof % 2 == 0:
        return (1 - math.sin(angle) * total) / 2
    inside = angle + (math.sin(angle) * total if dof > 1 else 0.0)
    return (1 - 2 / math.pi * inside) / 2


@lru_cache(maxsize=4096)
def t_quantile(tail: float, dof: int) -> float:
    """The t that is exceeded with probability `tail` (0 < tail < 0.5).

    Raises ValueError for a tail that is too small for doubles, or no degree of freedom.
    """
    if dof < 1 or not 1e-12 < tail < 0.5:
        raise ValueError(f"no quantile for a tail of {tail} with {dof} degrees of freedom")
    low, high = 0.0, 1.0
    while t_tail(high, dof) > tail:
        high *= 2
    for _ in range(80):
        middle = (low + high) / 2
        low, high = (middle, high) if t_tail(middle, dof) > tail else (low, middle)
    return high


@lru_cache(maxsize=4096)
def most_events(seen: int, runs: int, ahead: int, tail: float) -> int:
    """The number that events in `ahead` runs exceed with probability `tail` at most, where `runs` runs had `seen`.

    With a Poisson rate of which nothing is known but that (the prior of Jeffreys), what is to come is negative
    binomial: r = seen + 1/2, p = runs / (runs + ahead).
    """
    r, p = seen + 0.5, runs / (runs + ahead)
    part = math.exp(r * math.log(p))
    left, number = 1 - part, 0
    while left > tail:
        number += 1
        part *= (number + r - 1) / number * (1 - p)
        left -= part
    return number


@lru_cache(maxsize=1024)
def twice_quantile(tail: float, learned: int) -> float:
    """The q for which two of a normal distribution, one after the other, lie beyond mean + q * deviation at once.

    They do so on the one side or on the other with probability `tail` together, where mean and deviation were
    estimated from `learned` others: both values share the error of the limit, so that it is integrated over
    the errors of mean (normal) and deviation (chi), by the midpoint rule.
    """
    dof = learned - 1
    spread = 1 / math.sqrt(learned)
    width = 8 / math.sqrt(2 * dof)
    ratios = [max(0.0, 1 - width / 2) + width * (step + 0.5) / GRID for step in range(GRID)]
    weights = [math.exp((dof - 1) * math.log(ratio) - dof * (ratio * ratio - 1) / 2) for ratio in ratios]
    offs = [spread * (8 * (step + 0.5) / GRID - 4) for step in range(GRID)]
    masses = [math.exp(-((off / spread) ** 2) / 2) for off in offs]
    whole = sum(weights) * sum(masses)

    def both(q: float) -> float:
        found = sum(
            weight * mass * normal_tail(q * ratio + off) ** 2
            for ratio, weight in zip(ratios, weights, strict=True)
            for off, mass in zip(offs, masses, strict=True)
        )
        return 2 * found / whole

    low, high = 0.0, 64.0
    for _ in range(30):
        middle = (low + high) / 2
        low, high = (middle, high) if both(middle) > tail else (low, middle)
    return high


def normal_tail(z: float) -> float:
    """Probability that a standard normal value exceeds z."""
    return math.erfc(z / math.sqrt(2)) / 2
