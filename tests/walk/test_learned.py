"""The machine of the reference node, learned from outside by AALpy, is the one that follows from the tables."""

from __future__ import annotations

import pytest

from conformance.suite.walk.alphabet import alphabet
from conformance.suite.walk.derivation import Derivation
from conformance.suite.walk.facts import Rules
from conformance.suite.walk.machine import Machine, derive
from protocol.specification import specification
from reference_node.controller.controller import Controller
from reference_node.controller.order_desk import OrderDesk
from tests.walk.learned import NodeUnderLearning, compare, learn, slow_site

ORDERS = ["claim", "claim-old", "other-boot", "stale", "repeat", "cancel", "cancel-unseen", "hold", "resume"]
COUNTS = ["resume-other", "reset-fault", "reset-other", "late", "reconnect", "power-failure", "finish"]
JOBS = {"north": ["home", "park"], "siding": ["admit", "depart"], "ferry": ["run"]}


def derived(node: str) -> Machine:
    site, spec = slow_site(), specification()
    letters = alphabet(site, site.nodes[node], spec, motion=True, hand=False)
    chosen = {*ORDERS, *COUNTS, *JOBS[node]}
    known = [letter for letter in letters if letter.name in chosen]
    assert {letter.name for letter in known} == chosen
    return derive(Derivation(Rules(spec, site.nodes[node])), known)


def learned(node: str, kind: type[Controller] = Controller) -> tuple[Machine, int, int, list[str]]:
    machine = derived(node)
    letters = list(machine.letters)
    found = learn(NodeUnderLearning(slow_site(), node, machine.letters, kind), letters, walks=10, longest=6)
    met, differences = compare(machine, found, letters)
    return machine, len(found.states), met, differences


@pytest.mark.parametrize(
    "node",
    ["siding", pytest.param("ferry", marks=pytest.mark.slow), pytest.param("north", marks=pytest.mark.slow)],
)
def test_what_is_learned_is_what_is_derived(node: str) -> None:
    machine, states, met, differences = learned(node)
    assert differences == []
    assert met == states, "the learned machine has a state that the derived one never meets"
    assert states <= len(machine.states)


class ForgetsItsHoldWhenAJobIsCancelled(Controller):
    class desk_class(OrderDesk):  # noqa: N801
        node: Controller

        def cancel(self, order, reason):  # type: ignore[no-untyped-def]
            super().cancel(order, reason)
            self.node.held = False


def test_a_machine_that_is_another_is_told_from_the_derived_one() -> None:
    *_, differences = learned("ferry", ForgetsItsHoldWhenAJobIsCancelled)
    assert any("cancel" in told for told in differences)
