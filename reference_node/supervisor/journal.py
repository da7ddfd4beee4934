"""What a supervisor decided, and its alarms with the messages that led to them."""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

KEPT = 500
TRAIL = 16
"""So many orders, reports and faults are kept to explain an alarm."""


@dataclass(frozen=True, slots=True)
class Entry:
    """One thing that was decided or found out."""

    at_ms: int
    text: str


@dataclass(frozen=True, slots=True)
class MessageEntry:
    """An order, a report or a fault, as it passed."""

    at_ms: int
    node: str
    message: str
    body: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Alarm:
    """A report that cannot be true together with what was known, and what was said before."""

    at_ms: int
    what: str
    trail: tuple[MessageEntry, ...]


class Journal:
    """The newest entries, and every alarm."""

    def __init__(self) -> None:
        self.entries: deque[Entry] = deque(maxlen=KEPT)
        self.alarms: list[Alarm] = []
        self.written = 0
        """How many entries there ever were."""
        self._trail: deque[MessageEntry] = deque(maxlen=TRAIL)
        self._last = ""

    def note(self, at_ms: int, text: str) -> None:
        """Write an entry, unless it says what the last one said."""
        if text != self._last:
            self._last = text
            self.entries.append(Entry(at_ms, text))
            self.written += 1

    def heard(self, at_ms: int, node: str, message: str, body: Mapping[str, Any]) -> None:
        """Keep what may have to explain an alarm."""
        if message in ("job-order", "job-report", "fault") and body.get("act") not in ("ask", "claim"):
            self._trail.append(MessageEntry(at_ms, node, message, body))

    def alarm(self, at_ms: int, what: str) -> None:
        """Raise an alarm."""
        self.alarms.append(Alarm(at_ms, what, tuple(self._trail)))
        self.note(at_ms, f"ALARM: {what}")
