"""Pairs as observations that are independent of each other: one for each time that a train came to rest.

Positions found at one arrival share whatever error its reading has, so they count as one; the play of the axis is
told from the differences within an arrival.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby
from statistics import fmean, stdev

import numpy as np
from numpy.typing import NDArray

from conformance.measure.pairs import Approach, Pair
from protocol.trouble import Trouble

Array = NDArray[np.float64]
FEWEST = 3
_SIDE = {Approach.UP: 1.0, Approach.DOWN: -1.0, Approach.UNKNOWN: 0.0}
PAIRED = 3
"""Arrivals with both directions from which on the play is taken from their differences."""


@dataclass(frozen=True, slots=True)
class Gap:
    """Play: the position after coming up less that after coming down, with its standard uncertainty."""

    size: float
    standard: float
    arrivals: int

    @property
    def dof(self) -> int:
        """Degrees of freedom of the uncertainty."""
        return self.arrivals - 1


@dataclass(frozen=True, slots=True)
class Arrivals:
    """Arrays over arrivals, sorted by reading; `position` is the middle between both directions of approach."""

    reading: Array
    position: Array
    side: Array
    """1 where the axis came up only, -1 where it came down only, 0 where it is balanced or not known."""
    hours: Array | None
    """Time from the middle of the measurement."""
    train: tuple[str, ...]
    uncertainty: Array | None
    """Standard uncertainty of each position where every one is known."""
    lines: tuple[tuple[int, ...], ...]
    """Lines of the file behind each."""
    gap: Gap | None
    """The play where enough arrivals had both directions."""

    @property
    def number(self) -> int:
        """How many."""
        return len(self.reading)

    @property
    def distinct(self) -> Array:
        """The different readings, rising."""
        found: Array = np.unique(self.reading)
        return found

    def without(self, left_out: NDArray[np.bool_]) -> Arrivals:
        """All but those marked."""
        keep = ~left_out
        return Arrivals(
            self.reading[keep],
            self.position[keep],
            self.side[keep],
            None if self.hours is None else self.hours[keep],
            tuple(name for name, kept in zip(self.train, keep, strict=True) if kept),
            None if self.uncertainty is None else self.uncertainty[keep],
            tuple(line for line, kept in zip(self.lines, keep, strict=True) if kept),
            self.gap,
        )


def arrivals_of(pairs: Sequence[Pair]) -> Arrivals:
    """Pairs that follow each other with one reading and one train are of one arrival where a direction is noted.

    Raises Trouble for fewer than three different readings.
    """
    groups = [group for run in _runs(pairs) for group in _arrivals(run)]
    gap = _gap(groups)
    rows = sorted((_row(group, gap) for group in groups), key=lambda row: row[0])
    if len({row[0] for row in rows}) < FEWEST:
        raise Trouble(
            f"{len({row[0] for row in rows})} different readings; a line needs {FEWEST} to be judged",
            fix="Measure at more readings: bring the train in again, with another locomotive or load",
        )
    times = [row[3] for row in rows]
    hours = None
    if all(time is not None for time in times):
        seconds = np.array(times, dtype=float)
        hours = (seconds - seconds.mean()) / 3600
    known = [row[5] for row in rows]
    return Arrivals(
        np.array([row[0] for row in rows], dtype=float),
        np.array([row[1] for row in rows], dtype=float),
        np.array([row[2] for row in rows], dtype=float),
        hours,
        tuple(row[4] for row in rows),
        None if any(one is None for one in known) else np.array(known, dtype=float),
        tuple(row[6] for row in rows),
        gap,
    )


def _runs(pairs: Sequence[Pair]) -> list[list[Pair]]:
    return [list(run) for _, run in groupby(pairs, key=lambda pair: (pair.reading, pair.train))]


def _arrivals(run: list[Pair]) -> list[list[Pair]]:
    """Where no direction is noted, nobody knows whether two lines are one arrival: they count as two."""
    return [run] if all(pair.approach for pair in run) else [[pair] for pair in run]


def _means(group: Sequence[Pair]) -> tuple[list[float], list[float]]:
    """Positions after coming up, and after coming down."""
    return (
        [pair.position for pair in group if pair.approach is Approach.UP],
        [pair.position for pair in group if pair.approach is Approach.DOWN],
    )


def _gap(groups: Sequence[Sequence[Pair]]) -> Gap | None:
    sides = [_means(group) for group in groups]
    differences = [fmean(up) - fmean(down) for up, down in sides if up and down]
    if len(differences) < PAIRED:
        return None
    return Gap(fmean(differences), stdev(differences) / math.sqrt(len(differences)), len(differences))


Row = tuple[float, float, float, float | None, str, float | None, tuple[int, ...]]


def _row(group: Sequence[Pair], gap: Gap | None) -> Row:
    up, down = _means(group)
    side = 0.0
    if up and down:
        position = (fmean(up) + fmean(down)) / 2
    else:
        position, side = fmean(pair.position for pair in group), _SIDE[group[0].approach]
        if gap is not None:
            position, side = position - side * gap.size / 2, 0.0
    times = [pair.at_s for pair in group if pair.at_s is not None]
    known = [pair.uncertainty for pair in group if pair.uncertainty is not None]
    return (
        float(group[0].reading),
        position,
        side,
        fmean(times) if len(times) == len(group) else None,
        group[0].train,
        # They share the error of the reading: their mean is no better than one of them is shown to be.
        fmean(known) if len(known) == len(group) else None,
        tuple(pair.line for pair in group),
    )
