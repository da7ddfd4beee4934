"""Every row of the transition tables is taken by what is shipped: the reference node and the supervisor.

Some stories of the kit and those of this file are told on virtual time; every row that is taken in them is noted.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import pytest

from protocol.machine_guards import Facts
from protocol.specification import specification
from protocol.state_machine import StateMachine
from protocol.transition_table import Table, Transition
from reference_node.scenario.scenario_file import load_scenario
from reference_node.scenario.virtual_stage import play
from tests.protocol.rows_of_nodes import (
    SITE,
    jobs_of_a_node,
    modes_of_a_crane,
    states_of_a_berth,
    states_of_a_shuttle,
)
from tests.protocol.rows_of_supervisors import (
    belief_before_it_is_owned,
    belief_of_a_node_that_is_owned,
    orders_of_a_supervisor,
)

Row = tuple[str, Transition]
STORIES = (
    "05-unload-and-load",
    "08-train-never-arrives",
    "10-crane-reboots",
    "19-axis-jams",
    "20-emergency-stop",
)


TABLES = specification().tables
OWN_STORIES = (
    jobs_of_a_node,
    modes_of_a_crane,
    states_of_a_berth,
    states_of_a_shuttle,
    belief_before_it_is_owned,
    belief_of_a_node_that_is_owned,
    orders_of_a_supervisor,
)


# ---------------------------------------------------------------- what is asserted
@pytest.fixture(scope="module")
def taken() -> Iterator[set[Row]]:
    """The rows that are taken in all stories."""
    rows: set[Row] = set()
    fire = StateMachine.fire

    def noted(machine: StateMachine, event: str, facts: Facts | None = None) -> Transition | None:
        row = fire(machine, event, facts)
        if row is not None:
            rows.add((machine.table.name, row))
        return row

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(StateMachine, "fire", noted)
        for story in OWN_STORIES:
            story()
        for name in STORIES:
            play(load_scenario(name, SITE), SITE)
        yield rows


def never_taken(table: Table, taken: set[Row]) -> list[Transition]:
    """The rows of a table that no story takes."""
    return [row for row in table.transitions if (table.name, row) not in taken]


@pytest.mark.parametrize("table", TABLES.values(), ids=lambda table: table.name)
@pytest.mark.slow
def test_every_row_is_taken_by_what_is_shipped(table: Table, taken: set[Row]) -> None:
    assert never_taken(table, taken) == []


@pytest.mark.slow
def test_a_row_that_nobody_takes_is_found(taken: set[Row]) -> None:
    planted = Transition("at-place", "push", "", "lost", ("state",))
    table = replace(TABLES["shuttle"], transitions=(*TABLES["shuttle"].transitions, planted))
    assert never_taken(table, taken) == [planted]
