"""One figure judged: its limits, its EWMA, and where it left them."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import accumulate, islice

from conformance.recordings.trend.control_chart import ewma
from conformance.recordings.trend.limits import (
    FEWEST,
    LEARNED,
    RUNS_A_FALSE_ALARM,
    TOGETHER,
    EventLimits,
    Limits,
    limits_of,
    tail_of,
)
from conformance.recordings.trend.series import Marked, Series

NOTHING_SAID = Marked()


class Test(StrEnum):
    """Which limit was left."""

    __test__ = False  # For pytest, which would collect it.

    VALUE = "value"
    """Two runs in a row beyond the same limit."""
    DRIFT = "drift"
    EVENTS = "events"


@dataclass(frozen=True, slots=True)
class Alarm:
    """A limit is left at the point `index` of the series, for the first time or after it was kept again."""

    index: int
    test: Test
    value: float
    """What was compared: the value, the EWMA, the number of events."""
    limit: float
    high: bool


@dataclass(frozen=True, slots=True)
class Chart:
    """A series with its limits; `limits` is None where too few runs have the figure yet."""

    series: Series
    learned_from: tuple[int, ...]
    """Points of the series."""
    limits: Limits | EventLimits | None
    averages: list[float]
    """EWMA behind every point, from the first one behind those learned from;"""
    alarms: tuple[Alarm, ...]

    @property
    def first_judged(self) -> int:
        """The first point that is judged."""
        return max(self.learned_from, default=-1) + 1


def charts_of(
    found: Iterable[Series],
    said: Marked = NOTHING_SAID,
    *,
    learn: int = LEARNED,
    once_in: int = RUNS_A_FALSE_ALARM,
) -> list[Chart]:
    """Judge every series; limits are learned from the good runs, or where none is said to be from the first `learn`."""
    learning = [(series, _learned(series, said, learn)) for series in found]
    judging = sum(len(points) >= FEWEST for _, points in learning)
    tail = tail_of(judging, once_in)
    return [_chart(series, points, tail) for series, points in learning]


def _learned(series: Series, said: Marked, learn: int) -> tuple[int, ...]:
    if said.good:
        return tuple(point for point, run in enumerate(series.runs) if run in said.good)
    fit = (point for point, run in enumerate(series.runs) if run not in said.bad)
    return tuple(islice(fit, learn))


def _chart(series: Series, points: tuple[int, ...], tail: float) -> Chart:
    values = series.values
    limits = limits_of(series.key.kind, [values[point] for point in points], tail)
    first = max(points, default=-1) + 1
    judged = values[first:]
    if limits is None:
        return Chart(series, points, None, [], ())
    if isinstance(limits, EventLimits):
        return Chart(series, points, limits, [], tuple(_events(limits, judged, first)))
    least, most = limits.centre - limits.near, limits.centre + limits.near
    averages = ewma([min(max(value, least), most) for value in judged], limits.centre)
    alarms = [
        *_beyond(Test.VALUE, limits.centre, limits.room, judged, first, in_a_row=2),
        *_beyond(Test.DRIFT, limits.centre, limits.drift, averages, first, in_a_row=1),
    ]
    return Chart(series, points, limits, averages, tuple(sorted(alarms, key=lambda alarm: alarm.index)))


def _beyond(
    test: Test, centre: float, room: float, values: Sequence[float], first: int, *, in_a_row: int
) -> Iterator[Alarm]:
    """An alarm wherever so many values in a row have come to lie beyond the same limit."""
    lower, upper = centre - room, centre + room
    if not values or (max(values) <= upper and min(values) >= lower):
        return
    high = low = 0
    for index, value in enumerate(values):
        high, low = (high + 1 if value > upper else 0), (low + 1 if value < lower else 0)
        if in_a_row in (high, low):
            yield Alarm(first + index, test, value, upper if high else lower, high > 0)


def _events(limits: EventLimits, judged: Sequence[float], first: int) -> Iterator[Alarm]:
    """An alarm wherever the events of some runs together have become too many."""
    totals = [0.0, *accumulate(min(number, limits.most) for number in judged)]
    out = False
    for index in range(len(judged)):
        together = totals[index + 1] - totals[max(0, index + 1 - TOGETHER)]
        beyond = together > limits.most_together
        if beyond and not out:
            yield Alarm(first + index, Test.EVENTS, together, limits.most_together, high=True)
        out = beyond


def false_alarm_every(once_in: int) -> str:
    """The promise in words."""
    return (
        f"limits for at most one false alarm of all charts together in {once_in} undisturbed runs "
        f"(average run length {once_in} or more)"
    )


__all__ = ["Alarm", "Chart", "Marked", "Test", "charts_of", "false_alarm_every"]
