"""The interpreter of the transition tables, held against the tables themselves."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

import conformance
import protocol
import reference_node
from protocol.specification import Table, specification
from protocol.state_machine import NotInTable, StateMachine, row_under

TABLES = specification().tables.values()
HOUSES = [Path(str(house.__file__)).parent for house in (protocol, reference_node, conformance)]


@pytest.mark.parametrize("table", TABLES, ids=lambda table: table.name)
def test_a_row_is_found_under_its_own_guard_and_under_no_other(table: Table) -> None:
    for row in table.transitions:
        assert row_under(table, row.state, row.event, row.guard) == row
        assert row_under(table, row.state, row.event, "no-such-guard") is None


@pytest.mark.parametrize("table", TABLES, ids=lambda table: table.name)
def test_a_machine_takes_the_rows_and_nothing_else(table: Table) -> None:
    for row in table.transitions:
        beside = [one for one in table.transitions if (one.state, one.event) == (row.state, row.event)]
        also = {one.guard: (lambda _, holds=one == row: holds) for one in beside if one.guard}
        machine = StateMachine(table, also)
        machine.state = row.state
        assert machine.allows(row.event)
        assert machine.fire(row.event) == row
        assert machine.state == row.next


@pytest.mark.parametrize("table", TABLES, ids=lambda table: table.name)
def test_an_event_that_the_table_does_not_know_in_a_state_changes_nothing(table: Table) -> None:
    known = {(row.state, row.event) for row in table.transitions}
    events = {event for _, event in known}
    for state, event in {(state, event) for state in table.states for event in events} - known:
        machine = StateMachine(table)
        machine.state = state
        assert not machine.allows(event)
        with pytest.raises(NotInTable):
            machine.fire(event)
        assert machine.state == state


def test_nobody_else_looks_rows_up_by_state_and_event() -> None:
    """A second interpreter would begin with `table.rows(state, event)`."""
    found = [
        path
        for house in HOUSES
        for path in sorted(house.rglob("*.py"))
        for node in ast.walk(ast.parse(path.read_text()))
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute)
        if node.func.attr == "rows" and len(node.args) == 2
    ]
    assert {path.name for path in found} == {"state_machine.py"}
