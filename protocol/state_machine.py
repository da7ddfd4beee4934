"""The interpreter of the transition tables: which row is taken, and a machine that changes state by rows alone."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from protocol.machine_guards import MACHINE_GUARDS, Facts
from protocol.transition_table import Table, Transition

Guards = Mapping[str, Callable[[Facts], bool]]


def matching_row(table: Table, state: str, event: str, holds: Callable[[str], bool]) -> Transition | None:
    """The first row for `event` out of `state` whose guard `holds`, or None. A row without a guard has the guard ''."""
    return next((row for row in table.rows(state, event) if holds(row.guard)), None)


class NotInTable(RuntimeError):
    """The table has no row for this event in this state: a fault of the caller."""


class StateMachine:
    """`state`, and the events that change it; nothing else does.

    It begins in `state`, or else in the first one of the table. `guards` tell by name whether a row may be taken.
    """

    def __init__(self, table: Table, guards: Guards = MACHINE_GUARDS, state: str = "") -> None:
        self.table = table
        self._guards = guards
        self._state = state or table.initial

    @property
    def state(self) -> str:
        """The present state."""
        return self._state

    def row(self, event: str, facts: Facts | None = None) -> Transition | None:
        """The first row for `event` out of the present state whose guard holds, or None."""
        return matching_row(self.table, self.state, event, lambda guard: self._holds(guard, facts or {}))

    def allows(self, event: str) -> bool:
        """Whether there is any way on for `event`, guards aside."""
        return any(self.table.rows(self.state, event))

    def fire(self, event: str, facts: Facts | None = None) -> Transition | None:
        """Take the row for `event`; None, and nothing changed, where the table says that it is ignored.

        Raises NotInTable where the table says that it is impossible, or nothing at all.
        """
        row = self.row(event, facts)
        if row is not None:
            self._state = row.next
            return row
        no_way = self.table.no_way(self.state, event)
        if no_way is None or no_way.kind != "ignored":
            why = f": {no_way.why}" if no_way else ""
            raise NotInTable(f"{self.table.title}: nothing for {event!r} in state {self.state!r}{why}")
        return None

    def _holds(self, guard: str, facts: Mapping[str, Any]) -> bool:
        return not guard or self._guards[guard](facts)
