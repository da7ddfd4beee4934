"""What follows on a letter is read from the tables: another row, check or guard makes another machine."""

from __future__ import annotations

import copy
from dataclasses import replace
from random import Random

import pytest

from conformance.suite.walk.alphabet import alphabet
from conformance.suite.walk.derivation import Derivation
from conformance.suite.walk.desk import Desk
from conformance.suite.walk.facts import Rules
from conformance.suite.walk.machine import Machine, derive
from conformance.suite.walk.tour import Tour
from protocol.site_file import scenario
from protocol.specification import Specification, specification
from protocol.transition_table import Transition


def machine(node: str = "siding", spec: Specification | None = None) -> Machine:
    site, spec = scenario(), spec or specification()
    letters = alphabet(site, site.nodes[node], spec, motion=True, hand=False)
    return derive(Derivation(Rules(spec, site.nodes[node])), letters)


def changed(**parts: object) -> Specification:
    """The specification with some of its tables replaced."""
    spec = copy.copy(specification())
    spec.__dict__.update(parts)
    return spec


READY = Desk(("ready",), "done", load="none", homed=True)
HELD = replace(READY, held=True)


@pytest.mark.parametrize(
    ("desk", "letter", "said"),
    [
        (READY, "stale", ("refused", "stale")),
        (READY, "other-boot", ("refused", "wrong-boot")),
        (READY, "late", ("refused", "late")),
        (HELD, "home", ("refused", "held")),
        (HELD, "jog-too-far", ("refused", "held")),
        (READY, "jog-too-far", ("refused", "reach")),
        (READY, "transfer-nowhere", ("refused", "place")),
        (READY, "set-down", ("refused", "load")),
        (READY, "unsupported", ("refused", "unsupported")),
        (READY, "repeat", ("done", None)),
        (READY, "cancel", ("done", None)),
        (READY, "cancel-unseen", ("cancelled", None)),
        (READY, "cancel-later", ("refused", "stale")),
        (READY, "resume-other", ("refused", "holds-count")),
        (READY, "reset-other", ("refused", "fault-count")),
        (READY, "reset-unfit", ("refused", "nothing-found")),
        (READY, "claim-old", ("refused", "stale")),
        (replace(READY, machines=("unhomed",), homed=False), "park", ("refused", "mode")),
        (Desk(("working",), "running", "jog", load="none", homed=True), "home", ("refused", "busy")),
        (
            Desk(("working",), "running", "transfer", True, load="box", homed=True),
            "cancel",
            ("running", "too-late"),
        ),
        (Desk(("working",), "running", "transfer", load="none", homed=True), "cancel", ("cancelled", None)),
        (READY, "hold", None),
        (READY, "unreadable", None),
        (READY, "retained", None),
    ],
)
def test_answers_of_a_crane(desk: Desk, letter: str, said: tuple[str, str | None] | None) -> None:
    crane = machine("north")
    assert crane.derivation.outcomes(desk, crane.letters[letter])[0].said == said


def test_numbers_of_states_and_transitions() -> None:
    """As they were counted when the walk was made; a change of a table changes them, and is looked at."""
    found = {
        node: (len(one.states), one.transitions)
        for node in ("north", "siding", "ferry")
        for one in [machine(node)]
    }
    assert found == {"north": (58, 2141), "siding": (20, 643), "ferry": (14, 445)}


def test_every_row_of_the_tables_of_machines_that_a_letter_can_fire_is_in_the_machine() -> None:
    for node, table in (("north", "crane"), ("siding", "berth"), ("ferry", "shuttle")):
        found = machine(node)
        walked = {
            (desk.machines[0], outcomes[0].next.machines[0])
            for desk, edges in found.edges.items()
            for outcomes in edges.values()
        }
        rows = {
            (row.state, row.next)
            for row in specification().tables[table].transitions
            if "hand" not in row.event and (row.event, row.guard) != ("halt", "")
        }
        # From 'armed' a train comes to rest; the way from 'admitting' to it is one letter and two rows.
        assert rows <= walked | {("faulted", "ready")}, rows - walked


def test_a_row_that_leads_elsewhere_leads_the_machine_elsewhere() -> None:
    tables = dict(specification().tables)
    berth = tables["berth"]
    rows = tuple(
        Transition("at-rest", "depart", "", "empty", row.sends) if row.event == "depart" else row
        for row in berth.transitions
    )
    tables["berth"] = replace(berth, transitions=rows)
    other = machine(spec=changed(tables=tables))
    assert "leaving" in {desk.machines[0] for desk in machine().states}
    assert "leaving" not in {desk.machines[0] for desk in other.states}


def test_checks_in_another_order_give_another_answer() -> None:
    checks = list(specification().order_checks)
    held = next(check for check in checks if check.name == "is_held")
    checks.remove(held)
    checks.insert([check.name for check in checks].index("past_deadline"), held)
    other = machine("north", changed(order_checks=tuple(checks)))
    late = other.letters["late"]
    assert other.derivation.outcomes(HELD, late)[0].said == ("refused", "held")
    assert machine("north").derivation.outcomes(HELD, late)[0].said == ("refused", "late")


def test_a_guard_that_asks_something_else_gives_another_answer() -> None:
    guards = dict(specification().guards)
    guards["at_or_below_mark"] = replace(guards["at_or_below_mark"], formula="order.id < node.boot")
    other = machine("north", changed(guards=guards))
    assert other.derivation.outcomes(READY, other.letters["stale"])[0].said != ("refused", "stale")


@pytest.mark.parametrize(
    ("node", "k"),
    [("siding", 1), ("ferry", 1), pytest.param("siding", 2, marks=pytest.mark.exhaustive), ("ferry", 2)],
)
def test_a_tour_comes_to_everything_once_a_node_does_as_it_must(node: str, k: int) -> None:
    """Over the machine alone, with no node: whatever is left out is told."""
    found = machine(node)
    tour, desk, walked = Tour(found, k, Random(5)), found.first, set()
    last: tuple[Desk, str] | None = None
    while (letter := tour.next(desk)) is not None:
        walked.add((desk, letter) if k == 1 else (last, letter))
        last, after = (desk, letter), found.next(desk, letter)
        tour.played(desk, letter, after)
        desk = after
    assert tour.missed == []
    assert tour.walked + tour.once == tour.size
    assert tour.once <= tour.size * 0.01
    assert len(walked) >= tour.walked


def test_a_tour_goes_on_where_a_slow_node_is_in_no_state_of_the_machine() -> None:
    """A real crane lets its box go a while before its job is over; nothing is given up for that."""
    found = machine("north")
    tour, desk = Tour(found, 1, Random(5)), found.first
    elsewhere = 0
    while (letter := tour.next(desk)) is not None:
        after = found.derivation.outcomes(desk, found.letters[letter])[0].next
        slow = replace(after, load="none")
        if after.picked and after.load == "box" and slow not in found.edges and desk in found.edges:
            elsewhere, after = elsewhere + 1, slow if elsewhere % 10 == 0 else after
        tour.played(desk, letter, after)
        desk = after
    assert elsewhere > 10
    assert tour.missed == []
    assert tour.walked + tour.once == tour.size
    assert tour.once <= tour.size * 0.01


def test_a_tour_is_of_transitions_or_pairs() -> None:
    with pytest.raises(ValueError, match="not 3"):
        Tour(machine(), 3, Random(1))
