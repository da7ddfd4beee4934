"""The interpreter of the transition tables: which row is taken, and a machine that changes state by rows alone."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from protocol import guards
from protocol.specification import Table, Transition

Guards = Mapping[str, Callable[[Any], bool]]


def matching_row(table: Table, state: str, event: str, holds: Callable[[str], bool]) -> Transition | None:
    """The first row for `event` out of `state` whose guard `holds`, or None. A row without a guard has the guard ''."""
    return next((row for row in table.rows(state, event) if holds(row.guard)), None)


def row_under(table: Table, state: str, event: str, guard: str = "") -> Transition | None:
    """The row for `event` out of `state` under exactly `guard`, for a caller that has found out what holds; or None."""
    return matching_row(table, state, event, guard.__eq__)


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
        return matching_row(self.table, self.state, event, lambda guard: self._holds(guard, facts))

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
