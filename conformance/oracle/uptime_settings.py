"""Orders to set the uptime: while one is on its way, nobody knows by which clock the node counts."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from conformance.oracle.link_log import Message
from conformance.oracle.timing import Timing


class UptimeSettings:
    """Follows these orders from their arrival to the report of each."""

    def __init__(self, timing: Timing) -> None:
        """`timing` is told what the uptime was set to."""
        self._timing = timing
        self._open = 0
        self._wanted: dict[int, tuple[int, float]] = {}

    @property
    def open(self) -> bool:
        """Whether one is on its way."""
        return self._open > 0

    def came(self, body: Mapping[str, Any], at_ms: float) -> None:
        """Such an order came to the node."""
        self._open += 1
        self._wanted[body["id"]] = body["uptime"], at_ms

    def reported(self, message: Message) -> None:
        """The node reported one."""
        self._open = max(0, self._open - 1)
        wanted = self._wanted.get(message.body["id"])
        if wanted is not None and message.body["state"] == "done":
            self._timing.was_set(*wanted, message)

    def lost(self) -> None:
        """What is on its way may be lost."""
        self._open = 0

    def new_boot(self) -> None:
        """What was ordered is of a boot before."""
        self._wanted.clear()

    def forget(self) -> None:
        """Nothing is known of the node."""
        self.lost()
        self.new_boot()
