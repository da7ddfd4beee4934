"""A machine that goes through its states as a table of the specification says, and no other way."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from protocol import guards
from protocol.specification import Table, Transition

Guards = Mapping[str, Callable[[Any], bool]]


class NotInTable(RuntimeError):
    """The table has no row for this event in this state: a fault of the caller."""


class StateMachine:
    """`state`, and the events that change it. `also` overrides guards of `protocol.guards` by name."""

    def __init__(self, table: Table, also: Guards | None = None) -> None:
        self.table = table
        self.state = table.initial
        self._also = also or {}

    def row(self, event: str, facts: Any = None) -> Transition | None:
        """The first row for `event` out of the present state whose guard holds, or None."""
        return next(
            (row for row in self.table.rows(self.state, event) if self._holds(row.guard, facts)), None
        )

    def allows(self, event: str) -> bool:
        """Whether there is any way on for `event`, guards aside."""
        return any(self.table.rows(self.state, event))

    def fire(self, event: str, facts: Any = None) -> Transition:
        """Take the row for `event`; raises NotInTable where there is none."""
        row = self.row(event, facts)
        if row is None:
            raise NotInTable(f"{self.table.title}: nothing for {event!r} in state {self.state!r}")
        self.state = row.next
        return row

    def _holds(self, guard: str, facts: Any) -> bool:
        if not guard:
            return True
        found: Callable[[Any], bool] = self._also[guard] if guard in self._also else getattr(guards, guard)
        return found(facts)
