"""A passive case that is asked for by its name has something to judge, as in a complete run."""

from __future__ import annotations

import pytest

import tests.faulty_nodes.every  # noqa: F401 - enters them all
from conformance.suite.case import Case, all_cases
from conformance.suite.occasions import OF_A_SHUTTLE
from conformance.suite.verdict import Verdict
from conformance.tester.runner import with_prerequisites
from tests.faulty_nodes.faulty import FAULTY, Faulty

FROM_THE_START = {
    "link-pings",  # Time alone brings about what this and the next judge, and they wait for it.
    "messages-repeat",
    "link-parting",  # A node may leave on purpose or never; nobody can ask it to.
    "messages-memory",
    "crane-comes-up",
    "berth-comes-up",
    "shuttle-comes-up",
}
"""What these judge is there as soon as the node is."""
PASSIVE = [one for one in all_cases().values() if one.passive and "supervisor" not in one.roles]


@pytest.mark.parametrize("case", PASSIVE, ids=lambda case: case.id)
def test_it_names_what_brings_it_about(case: Case) -> None:
    assert bool(case.occasions) is (case.id not in FROM_THE_START)
    assert all(one in all_cases() and not all_cases()[one].passive for one in case.occasions)


@pytest.mark.parametrize(
    "wrong", [one for one in FAULTY.values() if all_cases()[one.caught_by].passive], ids=lambda one: one.name
)
def test_a_wrong_node_fails_it_alone_too(wrong: Faulty) -> None:
    assert wrong.run(only=(wrong.caught_by,)).perform()[wrong.caught_by].own is Verdict.FAIL


def test_what_other_roles_do_is_left_out() -> None:
    chosen = {one.id for one in with_prerequisites(all_cases(), ("orders-job-states",), ("berth",))}
    assert "berth-arrival" in chosen
    assert not chosen & {"crane-transfer", *OF_A_SHUTTLE}


def test_only_passive_cases_have_any() -> None:
    assert {one.id for one in all_cases().values() if one.occasions} <= {one.id for one in PASSIVE}
