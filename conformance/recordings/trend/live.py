"""The same charts while a bus is listened to: every run is judged as soon as it is over."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from conformance.recordings.trend.chart import NOTHING_SAID, Marked
from conformance.recordings.trend.derived import FigureReader
from conformance.recordings.trend.limits import FEWEST, LEARNED, RUNS_A_FALSE_ALARM
from conformance.recordings.trend.report import trend_of
from conformance.recordings.trend.run_figures import RunFigures, TrendRun
from conformance.recordings.trend.series import Series, in_order
from protocol.recording import RecordedEvent, RecordedMessage
from protocol.site import Site
from protocol.topics import Topic
from protocol.validation import Reading

Begins = Callable[[Topic, Mapping[str, Any], bool], bool]
"""Whether a run begins with a message: its topic, its body, and whether it was retained."""


@dataclass(frozen=True, slots=True)
class Change:
    """A chart that has left its limits with the run that is just over."""

    figure: str
    says: str


class LiveTrend:
    """Goes on with the charts of earlier runs. Times are microseconds since `began`."""

    def __init__(
        self,
        names: Sequence[str],
        series: Sequence[Series],
        site: Site | None,
        began: datetime,
        begins: Begins,
        said: Marked = NOTHING_SAID,
        *,
        learn: int = LEARNED,
        once_in: int = RUNS_A_FALSE_ALARM,
    ) -> None:
        """`names` and `series` are the runs to learn from and their figures; `said` as for `trend_of`."""
        self._names = list(names)
        self._series = {one.key: one for one in series}
        self._site, self._began, self._begins, self._said = site, began, begins, said
        # What is judged is not learned from, unless there is too little else.
        self._learn, self._once_in = max(FEWEST, min(learn, len(names))), once_in
        self._derive = FigureReader()
        self._run: RunFigures | None = None
        """None until a run begins: what was not heard from its beginning is not judged."""
        self._run_began_us = 0
        self._over: list[TrendRun] = []
        self.runs = 0
        """How many were judged."""
        self.left_out = 0
        """How many were not, as not all of their messages were looked at."""
        self.standing: tuple[Change, ...] = ()
        """All that has left its limits, of earlier runs too, as of the newest run; the most pressing first."""

    def event(self, item: RecordedEvent) -> None:
        """Take what befell the connection."""
        self._derive.event(item)

    def take(self, item: RecordedMessage, topic: Topic | None, reading: Reading) -> None:
        """Take a message that was read."""
        body = reading.body
        if topic is not None and body is not None and self._begins(topic, body, item.retain):
            self.close()
            self._run, self._run_began_us = RunFigures(), item.at_us
        told = self._derive.take(item, topic, body)
        if self._run is not None:
            self._run.add(told, body, valid=reading.valid, retained=item.retain)

    def missed(self) -> None:
        """A message was not looked at: the run under way is not judged."""
        if self._run is not None:
            self._run = None
            self.left_out += 1

    def close(self) -> None:
        """The run under way is over."""
        if self._run is not None and self._run.messages:
            began = self._began + timedelta(microseconds=self._run_began_us)
            self._over.append(
                TrendRun(f"the run that began at {began:%H:%M:%S} UTC", began, self._run.values())
            )
        self._run = None

    def judge(self) -> Iterator[Change]:
        """Judge the runs that are over since; gives what has come up with them. Takes milliseconds."""
        over, self._over = self._over, []
        for run in over:
            self.runs += 1
            yield from self._judged(run)

    def _judged(self, run: TrendRun) -> list[Change]:
        number = len(self._names)
        self._names.append(run.name)
        for key, value in run.figures.items():
            series = self._series.setdefault(key, Series(key))
            series.at.append(run.began.timestamp())
            series.values.append(value)
            series.runs.append(number)
        found = trend_of(
            self._names,
            in_order(self._series.values()),
            self._site,
            self._said,
            learn=self._learn,
            once_in=self._once_in,
        )
        new = []
        standing = []
        for finding in found.findings:
            series, alarms = finding.chart.series, finding.chart.alarms
            change = Change(str(series.key), finding.says)
            standing.append(change)
            if any(series.runs[alarm.index] == number for alarm in alarms):
                new.append(change)
        self.standing = tuple(standing)
        return new
