"""Pairs that lie far from all the others: they are asked about, and never left out by the program itself."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from conformance.measure.arrivals import Arrivals
from conformance.measure.causes import Shown
from conformance.measure.fit.terms import columns_of, line_columns, span_of

BY_CHANCE = 0.01
"""How often any pair of a sound measurement is asked about."""


@dataclass(frozen=True, slots=True)
class Doubt:
    """An arrival that does not fit: its lines, reading and position, and how far it is off the curve without it."""

    lines: tuple[int, ...]
    reading: int
    position: float
    off: float
    times: float
    """`off` over what the others would leave there (a studentised deleted residual)."""

    def __str__(self) -> str:
        where = "line " + " and ".join(map(str, self.lines)) if self.lines else "a pair"
        return (
            f"{where}: reading {self.reading}, position {self.position:.5g} is {self.off:+.2g} off the rest, "
            f"{self.times:.1f} times their scatter. Is it right? Measure there again"
        )


def doubts(arrivals: Arrivals, shown: Shown) -> list[Doubt]:
    """Every arrival whose deleted residual no sound one would have, the farthest first.

    Each is held against the curve of all others (Cook and Weisberg, Residuals and Influence in Regression, 1982,
    section 2.2.2), with Bonferroni's share of the chance.
    """
    from scipy.special import stdtrit

    span, terms = span_of(arrivals), shown.fit.terms
    blocks = [line_columns(span, arrivals.reading), *(columns_of(term, span, arrivals) for term in terms)]
    q, _ = np.linalg.qr(np.column_stack(blocks) / shown.weights[:, None])
    target = arrivals.position / shown.weights
    residual = target - q @ (q.T @ target)
    free = 1 - np.sum(q**2, axis=1)
    left = arrivals.number - q.shape[1]
    if left < 3:
        return []
    found = []
    limit = float(stdtrit(left - 1, 1 - BY_CHANCE / 2 / arrivals.number))
    squares = float(np.sum(residual**2))
    for number in range(arrivals.number):
        if free[number] < 1e-6:
            continue
        rest = max(squares - residual[number] ** 2 / free[number], 1e-12 * squares, 1e-300) / (left - 1)
        times = abs(residual[number]) / np.sqrt(rest * free[number])
        if times > limit:
            off = residual[number] * shown.weights[number] / free[number]
            row = (arrivals.lines[number], int(arrivals.reading[number]), float(arrivals.position[number]))
            found.append(Doubt(*row, float(off), float(times)))
    return sorted(found, key=lambda one: -one.times)
