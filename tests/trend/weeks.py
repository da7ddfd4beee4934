"""Weeks of recordings made of one simulated run: dated on, with figures in its messages changed."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from protocol.bulk_reading import BulkReader
from protocol.codec import encode
from protocol.recording import (
    Header,
    Item,
    RecordedEnd,
    RecordedEvent,
    RecordedMessage,
    RecordingReader,
    RecordingWriter,
)

BEGAN = datetime(2026, 3, 2, 18, tzinfo=UTC)
Change = Callable[[int, str, str, dict[str, Any]], None]
"""Changes a body: number of the run, node, message, body."""


def items_of(path: Path) -> tuple[Header, list[Item]]:
    """A whole recording."""
    with path.open("rb") as file:
        reader = RecordingReader(file)
        return reader.header, list(reader)


def written(path: Path, header: Header, items: Sequence[Item]) -> Path:
    """A recording of these items."""
    with path.open("wb", buffering=0) as file:
        writer = RecordingWriter(file, header)
        for item in items:
            match item:
                case RecordedMessage():
                    writer.message(item)
                case RecordedEvent():
                    writer.event(item)
                case RecordedEnd():
                    writer.end(item.at_us)
        writer.flush()
    return path


def weeks(template: Path, folder: Path, runs: int, change: Change, *, days: float = 1.4) -> list[Path]:
    """So many runs, one every `days`."""
    header, items = items_of(template)
    paths = []
    for number in range(runs):
        began = BEGAN + timedelta(days=days * number)
        path = folder / f"run-{number:03}.ywrec"
        paths.append(
            written(path, replace(header, started=began.isoformat()), changed(items, number, change))
        )
    return paths


def changed(items: Sequence[Item], number: int, change: Change) -> list[Item]:
    """The items with their bodies changed; what stays as it was keeps its bytes."""
    reader = BulkReader()
    found: list[Item] = []
    for item in items:
        if isinstance(item, RecordedMessage) and (topic := reader.topic(item.topic)) is not None:
            reading = reader.read(item.topic, item.payload)
            assert reading.body is not None
            assert reading.encoding is not None
            body = dict(reading.body)
            change(number, topic.node, topic.message, body)
            if body != reading.body:
                item = item._replace(payload=encode(topic.message, body, reading.encoding))
        found.append(item)
    return found
