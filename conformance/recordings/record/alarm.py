"""Judges every run while it is recorded, against the figures of earlier ones; a recording never waits for it."""

from __future__ import annotations

from collections.abc import Callable

from conformance.recordings.trend.live import LiveTrend
from protocol.bulk_reading import BulkReader
from protocol.recording import EventKind, RecordedEvent, RecordedMessage

READ_A_SECOND = 2000
"""Messages looked at each second at most; a run with more of them at once is not judged, and that is said."""


class Alarm:
    """Takes what is recorded; `tell` gets a line for each figure that has left its limits."""

    def __init__(self, trend: LiveTrend, tell: Callable[[str], object]) -> None:
        self._trend = trend
        self._tell = tell
        self._reader = BulkReader(explained=0)
        self._budget = READ_A_SECOND
        self._next_us = 1_000_000
        self.lines: list[str] = []
        """All that was told."""

    @property
    def runs(self) -> int:
        """How many runs were judged."""
        return self._trend.runs

    @property
    def left_out(self) -> int:
        """How many were not."""
        return self._trend.left_out

    def hear(self, item: RecordedMessage) -> None:
        """Take one message."""
        if not self._budget:
            self._trend.missed()
            return
        self._budget -= 1
        reading = self._reader.read(item.topic, item.payload)
        self._trend.take(item, self._reader.topic(item.topic), reading)

    def note(self, at_us: int, kind: EventKind, text: str) -> None:
        """Take what befell the connection."""
        self._trend.event(RecordedEvent(at_us, kind, text))

    def pause(self, now_us: int) -> None:
        """Judge what is over; called between reads."""
        if now_us >= self._next_us:
            self._budget, self._next_us = READ_A_SECOND, now_us + 1_000_000
        for change in self._trend.judge():
            line = f"ALARM {change.figure}: {change.says}"
            self.lines.append(line)
            self._tell(line)

    def close(self) -> None:
        """The recording ends, and with it the run under way."""
        self._trend.close()
        self.pause(0)
