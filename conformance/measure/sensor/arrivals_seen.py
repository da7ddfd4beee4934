"""What recordings tell of the arming sensor: how long after arming the end came, and what was ignored before."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from statistics import median

from protocol.bulk_reading import BulkReader
from protocol.recording import Item, RecordedMessage

_TOO_SOON = 0.5
"""Of the usual time: then something else was taken for the end."""


@dataclass(frozen=True, slots=True)
class Seen:
    """The arrivals of one berth."""

    node: str
    number: int
    shortest_ms: int
    usual_ms: float
    ignored: tuple[int, int]
    """Fewest and most pulses before arming."""
    too_soon: int
    """Arrivals in which the end came in less than half the usual time."""


def arrivals_seen(items: Iterable[Item]) -> tuple[Seen, ...]:
    """Every arrival that came to rest, once, by berth."""
    reader = BulkReader()
    found: dict[str, dict[tuple[int, int], tuple[int, int]]] = {}
    for item in items:
        if not isinstance(item, RecordedMessage):
            continue
        topic = reader.topic(item.topic)
        if topic is None or topic.message != "train-arrival":
            continue
        body = reader.read(item.topic, item.payload).body
        if body is None or body.get("state") != "at-rest" or "arm_to_end" not in body:
            continue
        key = (body["boot"], body["arrival"])
        found.setdefault(topic.node, {})[key] = (body["arm_to_end"], body["ignored"])
    return tuple(_seen(node, list(rows.values())) for node, rows in sorted(found.items()))


def _seen(node: str, rows: list[tuple[int, int]]) -> Seen:
    times, ignored = [row[0] for row in rows], [row[1] for row in rows]
    usual = float(median(times))
    soon = sum(time < _TOO_SOON * usual for time in times)
    return Seen(node, len(rows), min(times), usual, (min(ignored), max(ignored)), soon)
