"""The measured table that turns a rest reading of a berth into the position of a crane's axis.

Between two measured points the position is interpolated linearly; outside them nothing is known, and nothing
is guessed. How good that is: with points h apart, linear interpolation of a function f errs by at most
h^2 / 8 * max|f''| (numerical analysis textbooks).
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise


class OutsideTable(ValueError):
    """A reading outside the measured range: the train rests where nobody has measured."""

    def __init__(self, reading: int, low: int, high: int) -> None:
        super().__init__(
            f"rest reading {reading} is outside the measured table, which goes from {low} to {high}; "
            "bring the train in again, or measure the axis position at this reading and add it to the table"
        )
        self.reading, self.low, self.high = reading, low, high


@dataclass(frozen=True, slots=True)
class PositionTable:
    """Points of rest reading and axis position, both 16-bit signed integers, readings strictly increasing."""

    points: tuple[tuple[int, int], ...]

    def __post_init__(self) -> None:
        if len(self.points) < 2:
            raise ValueError(f"a position table needs two points or more, not {len(self.points)}")
        for reading, position in self.points:
            if not (-32768 <= reading <= 32767 and -32768 <= position <= 32767):
                raise ValueError(
                    f"point ({reading}, {position}) of the position table does not fit in 16 bits"
                )
        for (before, _), (after, _) in pairwise(self.points):
            if after <= before:
                raise ValueError(f"readings of a position table must increase, but {after} follows {before}")

    @classmethod
    def of(cls, points: Iterable[Iterable[int]]) -> PositionTable:
        """The table of pairs as a site file lists them; ValueError where they are no table."""
        pairs = [tuple(point) for point in points]
        if any(len(pair) != 2 for pair in pairs):
            raise ValueError("each point of a position table is a pair: rest reading, axis position")
        return cls(tuple((pair[0], pair[1]) for pair in pairs))

    @property
    def low(self) -> int:
        """The lowest reading that was measured."""
        return self.points[0][0]

    @property
    def high(self) -> int:
        """The highest reading that was measured."""
        return self.points[-1][0]

    def position(self, reading: int) -> int:
        """The axis position for `reading`, rounded to the nearest integer, halves away from zero.

        Raises OutsideTable for a reading below `low` or above `high`: never extrapolates.
        """
        if not self.low <= reading <= self.high:
            raise OutsideTable(reading, self.low, self.high)
        after = min(bisect_right(self.points, reading, key=lambda point: point[0]), len(self.points) - 1)
        (x0, y0), (x1, y1) = self.points[after - 1], self.points[after]
        # One exact fraction, rounded once: no float, and the same on every board.
        over, under = y0 * (x1 - x0) + (y1 - y0) * (reading - x0), x1 - x0
        rounded = (2 * abs(over) + under) // (2 * under)
        return rounded if over >= 0 else -rounded
