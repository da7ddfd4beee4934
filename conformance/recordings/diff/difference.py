"""One difference between two recordings, and all that a comparison found."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from math import inf

from conformance.recordings.diff.event_log import EventLog


@dataclass(frozen=True, slots=True)
class Difference:
    """One difference. Times in us of each recording; numbers are messages, None where there is none."""

    kind: str
    """missing, extra, changed, order, late, slower or faster."""
    sequence: str
    words: str
    detail: str
    at_us: int
    """Where it shows in the second recording, or where it should have."""
    good_us: int
    number: int | None
    good_number: int | None
    part: float = 0.0
    """slower, faster: how much of the good duration."""
    axis: str | None = None
    """The axis that moved farthest meanwhile, if one did: its name, or without a site file its number."""
    led_to: tuple[str, ...] = ()
    beyond_ms: float = inf
    """slower, faster: how far beyond what good runs differ by; of all else nothing excuses it."""

    def as_json(self) -> dict[str, object]:
        """For programs."""
        return {
            "kind": self.kind, "node": self.sequence, "what": self.words, "detail": self.detail,
            "at_s": self.at_us / 1e6, "good_at_s": self.good_us / 1e6, "message": self.number,
            "good_message": self.good_number, "led_to": list(self.led_to),
        }  # fmt: skip


@dataclass(slots=True)
class Comparison:
    """All differences, in the order in which they show, and what they were found in."""

    good: Sequence[EventLog]
    other: EventLog
    differences: list[Difference] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    matched: int = 0
    events: int = 0
    """Events of the good run."""
    not_reached: int = 0
    """Those of them that were due only after the end of the other recording."""
    beyond_ms: float = 0.0
    """How far beyond what good runs differ by the time is that is farthest."""
    cut_off: bool = False
    """Whether one of the files breaks off, so that what stood behind is in nobody's hands."""

    @property
    def complete(self) -> bool:
        """Whether all of the good run was held against the other."""
        return not self.not_reached and not self.cut_off

    @property
    def first(self) -> Difference | None:
        """The first divergence."""
        return self.differences[0] if self.differences else None
