"""The figures of one run, of its messages."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from conformance.recordings.trend.derived import Derived, FigureReader
from conformance.recordings.trend.figure import Key, Sum
from protocol.bulk_reading import BulkReader
from protocol.recording import Item, RecordedEvent, RecordedMessage

Body = Mapping[str, Any]
EVENTS = ("lost", "reconnects", "invalid")
"""Figures that each node that was heard has in every run, mostly 0."""
AT_REST = ("reading", "arm_to_end", "ignored")
KEYS_KEPT = 5000
"""Figures of one run; a site has about a hundred."""


@dataclass(frozen=True, slots=True)
class TrendRun:
    """A run as a point of every chart."""

    name: str
    began: datetime
    """Wall clock of the recorder, UTC."""
    figures: Mapping[Key, float]
    good: bool = False
    """Whether somebody marked it as good."""
    bad: bool = False
    """Whether somebody marked it as bad: limits are never learned from it."""


class RunFigures:
    """Gathers the figures of one run; integers throughout, so that sums do not depend on their order."""

    def __init__(self) -> None:
        self._sums: dict[Key, list[int]] = {}
        """Number, total and most of the observations."""
        self.messages = 0

    def add(self, told: Derived, body: Body | None, *, valid: bool, retained: bool) -> None:
        """Take a message and what was derived of it."""
        self.messages += 1
        node = told.speaker
        if retained or not node:
            return
        for figure, number in zip(EVENTS, (told.lost, int(told.reconnected), int(not valid)), strict=True):
            self._observe(Key(node, figure), number)
        if told.step_ms is not None and body is not None:
            self._observe(Key(node, "step", body["act"], told.step, told.way, told.train), told.step_ms)
        if told.answer_ms is not None:
            self._observe(Key(node, "answer"), told.answer_ms)
        if told.gap_ms is not None:
            self._observe(Key(node, "gap"), told.gap_ms)
        if told.arrived and body is not None:
            for figure in AT_REST:
                self._observe(Key(node, figure, train=told.train), body[figure])

    def _observe(self, key: Key, value: int) -> None:
        sums = self._sums.get(key)
        if sums is None:
            if len(self._sums) < KEYS_KEPT:
                self._sums[key] = [1, value, value]
            return
        sums[0] += 1
        sums[1] += value
        sums[2] = max(sums[2], value)

    def values(self) -> dict[Key, float]:
        """The run's value of every figure."""
        return {key: value_of(key, *sums) for key, sums in self._sums.items()}


def value_of(key: Key, number: int, total: int, most: int) -> float:
    """A run's value from number, total and most of its observations."""
    match key.kind.sum:
        case Sum.MEAN:
            return total / number
        case Sum.MOST:
            return float(most)
        case Sum.COUNT:
            return float(total)


def figures_of(items: Iterable[Item]) -> dict[Key, float]:
    """The figures of the items of one run."""
    reader, derive, found = BulkReader(explained=0), FigureReader(), RunFigures()
    for item in items:
        if isinstance(item, RecordedMessage):
            reading = reader.read(item.topic, item.payload)
            told = derive.take(item, reader.topic(item.topic), reading.body)
            found.add(told, reading.body, valid=reading.valid, retained=item.retain)
        elif isinstance(item, RecordedEvent):
            derive.event(item)
    return found.values()
