"""The interval in which every train arms behind its last coupling and before its end magnet, whatever its speed.

With the front of the train at `f`, a magnet `b` behind it is at `f - b`. The berth is armed when the first magnet
comes to the arming sensor, and believes it one debouncing later. Before the earliest moment of that every magnet
but the last must have left the end sensor for good; after the latest moment, and the way in which the train
becomes slow, the end magnet must still be ahead of it. All tolerances count against the place: it is a bound, no
statement of chances.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from conformance.measure.sensor.statements import TrackStatement, TrainStatement


@dataclass(frozen=True, slots=True)
class Window:
    """Where the arming sensor may sit for one train, in mm along the track; none where `low` is above `high`."""

    train: TrainStatement
    low: float
    high: float

    def margin(self, place: float) -> float:
        """How far the place is from the nearer limit, below 0 outside."""
        return min(place - self.low, self.high - place)


@dataclass(frozen=True, slots=True)
class Answer:
    """The interval for all trains, and what today's place has."""

    windows: tuple[Window, ...]
    place: float | None

    @property
    def low(self) -> float:
        """The lower limit."""
        return max(window.low for window in self.windows)

    @property
    def high(self) -> float:
        """The upper limit."""
        return min(window.high for window in self.windows)

    @property
    def exists(self) -> bool:
        """Whether there is any place that suits every train."""
        return self.low <= self.high

    @property
    def best(self) -> float:
        """The middle: the largest margin to both sides."""
        return (self.low + self.high) / 2

    @property
    def margin(self) -> float | None:
        """What today's place has left, for the worst train."""
        return None if self.place is None else min(window.margin(self.place) for window in self.windows)

    @property
    def worst(self) -> Window:
        """The train that leaves the least: at today's place, else at the best one."""
        place = self.best if self.place is None else self.place
        return min(self.windows, key=lambda window: window.margin(place))


def window_of(track: TrackStatement, train: TrainStatement) -> Window:
    """The window of one train.

    Two places are compared, so tolerance counts twice: sensor and magnet. Speed counts from 0 to the fastest.
    """
    blind = train.fastest * (track.debounce_ms + track.bounce_ms) / 1000
    first = min(train.passing)
    last = max(train.passing)
    # Earliest arming: the first magnet is `reach` short of the sensor. By then the last one has left, and settled.
    low = track.end + last + track.reach - (first - track.reach) + blind + 2 * track.tolerance
    # Latest arming: the arming magnet is `surely` past the sensor, and debounced. The end magnet is still to come.
    latest = train.arming + track.surely + blind + train.coasts
    high = track.end + train.end - track.reach - latest - 2 * track.tolerance
    return Window(train, low, high)


def answer(track: TrackStatement, trains: Sequence[TrainStatement]) -> Answer:
    """The interval for all of them; there has to be one train."""
    return Answer(tuple(window_of(track, train) for train in trains), track.arming)
