"""When the test machine stood still: what was measured in such a time says nothing of the node.

A timer of the bench that fires late shows that its own process stood still; a packet of its own that comes round late
through broker and tap shows that the path did. A node that is a program on the same machine can be kept waiting for a
processor too.
"""

from __future__ import annotations

from bisect import bisect_right, insort
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any, Literal, get_args

from conformance.suite.verdict import Unclear

NOTICED_MS = 40.0
"""From how long on it is one: a fifth of the shortest limit of the protocol, that of an answer."""
LONG_MS = 300.0
"""From how long on what the kit itself did may have come too late, a sensor that it plays for instance."""
KEPT = 10_000
"""Of each kind, at the least."""

Kind = Literal["timer", "path", "node"]


@dataclass(frozen=True, slots=True)
class Stall:
    """One time in which it stood still, on the clock of the log."""

    begin_ms: float
    end_ms: float
    kind: Kind

    @property
    def length_ms(self) -> float:
        """How long it may have stood still at the most."""
        return self.end_ms - self.begin_ms


def _end_ms(stall: Stall) -> float:
    return stall.end_ms


class StoodStill(Unclear):
    """A limit in time overlaps a stall: it is neither kept nor broken by what was seen, and judged again."""


class Stalls:
    """All stalls of a run. Written and read by any thread: a list only grows, or is replaced."""

    def __init__(self) -> None:
        self._known: dict[Kind, list[Stall]] = {kind: [] for kind in get_args(Kind)}
        """By their ends: what overlaps a time is looked up for every message."""
        self.count = 0
        self.longest_ms = 0.0
        self.path = ""
        """How the path is measured, or why not; '' where there is none, on virtual time."""
        self.pending: Callable[[], tuple[Stall, ...]] = tuple
        """The stalls that last: a packet of the kit's own has not come round, a node waits for a processor."""

    def add(self, stall: Stall) -> None:
        """Enter one that was noticed; shorter ones than NOTICED_MS are none."""
        if stall.length_ms < NOTICED_MS:
            return
        known = self._known[stall.kind]
        insort(known, stall, key=_end_ms)
        if len(known) > 2 * KEPT:
            self._known[stall.kind] = known[-KEPT:]
        self.count += 1
        self.longest_ms = max(self.longest_ms, stall.length_ms)

    def within(self, begin_ms: float, end_ms: float) -> float:
        """How long it stood still between two instants at the most, the longest of the kinds; 0 where it did not."""
        sums = dict.fromkeys(get_args(Kind), 0.0)
        for one in (*self._about(begin_ms, end_ms), *self.pending()):
            sums[one.kind] += max(0.0, min(end_ms, one.end_ms) - max(begin_ms, one.begin_ms))
        return max(sums.values())

    def _about(self, begin_ms: float, end_ms: float) -> Iterator[Stall]:
        """Those that may overlap: no one that ended before, and none so late that even the longest began behind it."""
        for known in self._known.values():
            first = bisect_right(known, begin_ms, key=_end_ms)
            behind = bisect_right(known, end_ms + self.longest_ms, first, key=_end_ms)
            yield from known[first:behind]

    def at(self, *instants_ms: float) -> float:
        """How long it stood still about these instants at the most: what was seen then may have been seen late."""
        return max(self.within(at_ms - NOTICED_MS, at_ms + NOTICED_MS) for at_ms in instants_ms)

    def document(self) -> dict[str, Any]:
        """As it stands in a report."""
        return {
            "count": self.count,
            "longest_ms": round(self.longest_ms),
            **{kind: len(known) for kind, known in self._known.items()},
            "path_measured": self.path,
        }
