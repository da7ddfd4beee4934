"""The interpreter of the transition tables, held against the tables themselves."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

import conformance
import protocol
import reference_node
from protocol.specification import specification
from protocol.state_machine import NotInTable, StateMachine
from protocol.transition_table import Table

TABLES = specification().tables.values()
HOUSES = [Path(str(house.__file__)).parent for house in (protocol, reference_node, conformance)]


@pytest.mark.parametrize("table", TABLES, ids=lambda table: table.name)
def test_a_machine_takes_the_rows_and_nothing_else(table: Table) -> None:
    for row in table.transitions:
        beside = [one for one in table.transitions if (one.state, one.event) == (row.state, row.event)]
        also = {one.guard: (lambda _, holds=one == row: holds) for one in beside if one.guard}
        machine = StateMachine(table, also, row.state)
        assert machine.allows(row.event)
        assert machine.fire(row.event) == row
        assert machine.state == row.next


@pytest.mark.parametrize("table", TABLES, ids=lambda table: table.name)
def test_an_event_without_a_row_changes_nothing_and_is_a_fault_where_it_is_impossible(table: Table) -> None:
    never = dict.fromkeys((row.guard for row in table.transitions), lambda facts: False)
    for state in table.states:
        for event in table.events:
            if any(not row.guard for row in table.rows(state, event)):
                continue
            machine, no_way = StateMachine(table, never, state), table.no_way(state, event)
            if no_way is not None and no_way.kind == "ignored":
                assert machine.fire(event) is None
            else:
                with pytest.raises(NotInTable, match=re.escape(no_way.why) if no_way is not None else event):
                    machine.fire(event)
            assert machine.state == state


def test_a_state_is_not_set_but_by_a_row() -> None:
    machine = StateMachine(specification().tables["shuttle"])
    with pytest.raises(AttributeError):
        machine.state = "moving"  # type: ignore[misc]


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
    assert {path.name for path in found} == set(READERS_OF_ROWS)


READERS_OF_ROWS = {
    "state_machine.py": "interprets a table",
    "table_findings.py": "judges one",
    "derivation.py": "derives the machine of an order desk from all of them, for the walk",
    "facts.py": "tells the walk which rows there are",
    "machine_tables.py": "writes them as C",
}
"""Modules that look rows up, and what for."""


MACHINES = ("protocol", "reference_node", "conformance/peers")
"""Where machines of the tables are; elsewhere in the kit a `state` is what somebody said of himself."""
NO_MACHINES = {
    "reference_node/sensing/arrival.py": "what sensors say of a train; the berth takes the row that follows from it",
    "reference_node/mechanism/spreader.py": "open or closed: a piece of a machine",
    "protocol/wire/serial/gateway_line.py": "whether the bus is there for a board: a word of its frames",
    "protocol/rules/jobs.py": "what a node said of its job, right or wrong",
}
"""What has a `state` of its own."""
FIRMWARE = Path("reference_node/firmware")
"""Another implementation, for boards, that has no interpreter of tables: it is judged from outside."""


def states_set_by_hand(path: str, text: str) -> list[str]:
    """Assignments to the state of a machine."""
    found = []
    for node in ast.walk(ast.parse(text)):
        targets = getattr(node, "targets", [getattr(node, "target", None)])
        flat = [part for target in targets for part in getattr(target, "elts", [target])]
        if isinstance(node, ast.Assign | ast.AugAssign | ast.AnnAssign):
            found += [
                f"{path}:{node.lineno}"
                for part in flat
                if isinstance(part, ast.Attribute)
                and (
                    part.attr in ("state", "belief")
                    or (part.attr == "_state" and "machine" in ast.unparse(part))
                )
            ]
        elif isinstance(node, ast.Call) and getattr(node.func, "id", "") == "setattr":
            found += [
                f"{path}:{node.lineno}"
                for part in node.args[1:2]
                if isinstance(part, ast.Constant) and part.value in ("state", "_state", "belief")
            ]
    return found


def test_nobody_sets_the_state_of_a_machine_but_its_rows() -> None:
    root = Path(str(protocol.__file__)).parent.parent
    found = [
        place
        for folder in MACHINES
        for path in sorted((root / folder).rglob("*.py"))
        if str(path.relative_to(root)) not in NO_MACHINES
        if FIRMWARE not in path.relative_to(root).parents
        for place in states_set_by_hand(str(path.relative_to(root)), path.read_text())
    ]
    assert found == []


@pytest.mark.parametrize(
    "text",
    [
        "job.state = 'done'",
        "a.state, b = 1, 2",
        "self.machine._state: str = ''",
        "setattr(job, 'state', 'done')",
    ],
)
def test_a_state_that_is_set_by_hand_is_found(text: str) -> None:
    assert states_set_by_hand("here.py", text) == ["here.py:1"]
