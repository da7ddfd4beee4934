"""The machine of the reference node, learned from outside by AALpy, is the one that follows from the tables."""

from __future__ import annotations

from collections.abc import Collection

import pytest

from conformance.suite.walk.alphabet import alphabet
from conformance.suite.walk.derivation import Derivation
from conformance.suite.walk.facts import Rules
from conformance.suite.walk.machine import Machine, derive
from protocol.guards import Order
from protocol.site_file import scenario
from protocol.specification import specification
from reference_node.controller.controller import Controller
from reference_node.controller.order_desk import OrderDesk
from tests.walk.learned import NodeUnderLearning, compare, learn

ORDERS = ["claim", "claim-old", "other-boot", "stale", "repeat", "cancel", "cancel-unseen", "hold", "resume"]
COUNTS = ["resume-other", "reset-fault", "reset-other", "late", "reconnect", "power-failure", "finish"]
JOBS = {"north": ["home"], "siding": ["admit", "depart"], "ferry": ["run"]}


def derived(node: str, only: Collection[str] = ()) -> Machine:
    site, spec = scenario(), specification()
    letters = alphabet(site, site.nodes[node], spec, motion=True, hand=False)
    chosen = set(only or (*ORDERS, *COUNTS, *JOBS[node]))
    known = [letter for letter in letters if letter.name in chosen]
    assert {letter.name for letter in known} == chosen
    return derive(Derivation(Rules(spec, site.nodes[node])), known)


def learned(
    node: str, kind: type[Controller] = Controller, *, walks: int = 4, only: Collection[str] = ()
) -> tuple[Machine, int, int, list[str]]:
    machine = derived(node, only)
    letters = list(machine.letters)
    found = learn(NodeUnderLearning(scenario(), node, machine.letters, kind), letters, walks=walks, longest=6)
    met, differences = compare(machine, found, letters)
    return machine, len(found.states), met, differences


@pytest.mark.parametrize(
    ("node", "states"),
    [
        pytest.param("north", 20, marks=pytest.mark.exhaustive),
        ("siding", 18),
        pytest.param("ferry", 14, marks=pytest.mark.exhaustive),
    ],
)
def test_what_is_learned_is_what_is_derived(node: str, states: int) -> None:
    machine, found, met, differences = learned(node)
    assert differences == []
    assert met == found, "the learned machine has a state that the derived one never meets"
    assert found == len(machine.states) == states


class ForgetsItsHoldWhenAJobIsCancelled(Controller):
    class desk_class(OrderDesk):  # noqa: N801
        node: Controller

        def cancel(self, order: Order, reason: str) -> None:
            super().cancel(order, reason)
            self.node.held = False


def test_a_machine_that_is_another_is_told_from_the_derived_one() -> None:
    few = ["hold", "resume", "reset-fault", "run", "cancel", "power-failure"]
    assert learned("ferry", only=few)[3] == []
    *_, differences = learned("ferry", ForgetsItsHoldWhenAJobIsCancelled, only=few)
    assert any("held: cancel" in told for told in differences)
