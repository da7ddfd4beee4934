"""What is known to disturb the link of a node: until when no time and no loss of a connection is held against it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from math import inf
from typing import Any

EXCUSED_MS = 12_000
"""After a fault of the link the node may be away for as long as it waits before it connects again."""
CONNECTING_MS = 1000
"""So long after a connection was made times are not those of a link at rest."""
SETTLED_MS = 2000
"""After its last input a stimulus has gone through every debounce."""
Damaged = Callable[[], int]
"""How often something was seen to be lost on the line to the node by now."""


def played_ms(stimulus: Mapping[str, Any]) -> float:
    """How long after a stimulus the sensors may still change by it."""
    return float(sum(delay_ms for _, _, delay_ms in stimulus["inputs"]) + SETTLED_MS)


class Disturbances:
    """Instants in ms of the clock of the bench."""

    def __init__(self, damaged: Damaged) -> None:
        """`damaged` tells of a serial line."""
        self._damaged, self._damage = damaged, 0
        self.lossy = False
        """Whether something was lost on the line since the look before the last."""
        self.forget(always=False)

    def forget(self, *, always: bool) -> None:
        """Nothing disturbs; `always`: times never tell anything."""
        self._excused_ms = self._disturbed_ms = inf if always else -1.0

    def look(self) -> None:
        """Ask the line what was lost."""
        damaged = self._damaged()
        self.lossy, self._damage = damaged != self._damage, damaged

    def link_fault(self, at_ms: float) -> None:
        """The link is being disturbed: orders may be lost, and the node may go away."""
        self._excused_ms = self._disturbed_ms = at_ms + EXCUSED_MS

    def overrun(self, at_ms: float) -> None:
        """More comes at once than the line carries: what the node says may be late, and nothing is lost by it."""
        self._disturbed_ms = at_ms + EXCUSED_MS

    def connected(self, at_ms: float) -> None:
        """The node has connected again."""
        self._excused_ms = max(self._excused_ms, at_ms + CONNECTING_MS)

    def excuses(self, at_ms: float) -> bool:
        """Whether a connection may be lost then, and times tell nothing."""
        return at_ms <= self._excused_ms

    def ends_behind(self, at_ms: float) -> bool:
        """Whether the node may still be away then."""
        return at_ms < self._excused_ms

    def delays(self, at_ms: float) -> float:
        """By how many ms an answer may be late by it at that instant."""
        return 0.0 if at_ms > self._disturbed_ms else EXCUSED_MS
