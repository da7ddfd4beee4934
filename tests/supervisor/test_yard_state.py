"""The picture of the yard stands still while the yard goes on, and every rule judges it by what it shows."""

from __future__ import annotations

import copy
from collections.abc import Callable, Mapping
from dataclasses import FrozenInstanceError, replace
from functools import cache
from typing import Any

import pytest

from reference_node.supervisor.check.rules import Rules
from reference_node.supervisor.observe.boxes import Carriage, Spot
from reference_node.supervisor.observe.gap import Gap
from reference_node.supervisor.observe.yard_state import AskedOf, NodeState, YardState
from reference_node.supervisor.plan.goals import Move
from reference_node.supervisor.supervisor import Supervisor
from tests.supervisor.terminal import Terminal


@cache
def at_rest() -> YardState:
    """A yard in which everything may begin: every node is owned, crane north is ready, nothing is asked."""
    terminal = Terminal()
    supervisor = terminal.supervise()
    terminal.run_until(
        lambda: all(node.has_reported and node.idle for node in supervisor.look().nodes.values())
    )
    terminal.run_until(lambda: supervisor.look().nodes["north"].says("mode") == "ready")
    terminal.run_until(lambda: not supervisor.questions and supervisor.look().idle("north"))
    return supervisor.look()


def with_node(name: str, **changes: Any) -> Callable[[YardState], YardState]:
    """The yard with one node otherwise."""
    return lambda state: replace(state, nodes={**state.nodes, name: replace(state.nodes[name], **changes)})


def says(state: YardState, node: str, **fields: Any) -> YardState:
    """The yard with another newest crane-status of `node`."""
    words = {**state.nodes[node].words}
    words["crane-status"] = {**words["crane-status"], **fields}
    return with_node(node, words=words)(state)


def plain(state: YardState) -> tuple[object, ...]:
    """All that a picture shows, as a copy that shares nothing with it."""
    nodes = {
        name: tuple(copy.deepcopy(_unwrapped(getattr(node, field))) for field in NodeState.__slots__)
        for name, node in state.nodes.items()
    }
    boxes = state.boxes
    shown = (dict(boxes.slots), dict(boxes.spreaders), dict(boxes.carriages), boxes.in_motion)
    return (nodes, *copy.deepcopy(shown), state.all_owned, state.own_holds, state.gap, state.questions)


def _unwrapped(value: Any) -> Any:
    return dict(value) if isinstance(value, Mapping) else value


def test_a_picture_stands_still_while_the_yard_goes_on() -> None:
    terminal = Terminal()
    supervisor = terminal.supervise(goals=(Move("B2", "stack-n", 3),))
    terminal.run_until(lambda: supervisor.look().nodes["north"].job == "transfer")
    picture = supervisor.look()
    before = plain(picture)
    terminal.run_until(lambda: supervisor.finished)
    supervisor.hold("north")
    assert plain(picture) == before
    now = supervisor.look()
    assert picture.nodes["north"].job == "transfer"
    assert now.nodes["north"].job == ""
    assert picture.boxes.at(Spot("stack-n", 3)) != "B2"
    assert now.boxes.at(Spot("stack-n", 3)) == "B2"
    assert picture.own_holds == frozenset()
    assert now.own_holds == {"north"}


@pytest.mark.parametrize(
    "change",
    [
        lambda state: setattr(state, "now_ms", 0),
        lambda state: setattr(state.nodes["north"], "idle", True),
        lambda state: state.nodes.update(north=None),
        lambda state: state.nodes["north"].words.clear(),
        lambda state: state.boxes.slots.update({"stack-n": ()}),
        lambda state: state.boxes.spreaders.update(north="B9"),
        lambda state: state.boxes.carriages.update(north=Carriage("B9", None, Spot("stack-n", 0))),
        lambda state: state.boxes.in_motion.add("siding"),
        lambda state: setattr(state.boxes, "slots", {}),
    ],
)
def test_nothing_in_a_picture_can_be_changed(change: Callable[[Any], None]) -> None:
    with pytest.raises((FrozenInstanceError, AttributeError, TypeError)):
        change(at_rest())


def test_nothing_stands_against_an_order_in_a_yard_at_rest() -> None:
    assert Rules(at_rest()).obstacle("north", "transfer") == ""


@pytest.mark.parametrize(
    ("change", "why"),
    [
        (lambda state: replace(state, gap=Gap(0)), "the bus is away"),
        (lambda state: replace(state, gap=Gap(0, back_ms=1)), "waits for 'go on'"),
        (with_node("south", status={"bench": True}), "south is on the bench"),
        (lambda state: replace(state, all_owned=False), "not owned yet"),
        (with_node("north", owned=False), "not owned yet: north"),
        (with_node("north", status={"digest": "another"}), "another site file"),
        (with_node("north", status={}), "another site file"),
        (with_node("north", reachable=False), "north has not been heard lately"),
        (with_node("ferry", reachable=False), "ferry has not been heard lately"),
        (lambda state: replace(state, own_holds=frozenset({"north"})), "north is held"),
        (lambda state: says(state, "north", held=True), "north is held"),
        (lambda state: says(state, "north", mode="unhomed"), "north is unhomed"),
        (with_node("north", words={}), "north is not answering"),
        (with_node("north", idle=False), "north has an order open"),
        (with_node("north", open_acts=("reset-fault",)), "north has an order open"),
        (with_node("ferry", idle=False), "waits for ferry"),
        (lambda state: replace(state, questions=(AskedOf("", "stack-n", "What?"),)), "waits for an answer"),
        (lambda state: replace(state, questions=(AskedOf("ferry", "", "Where?"),)), "waits for an answer"),
    ],
)
def test_each_rule_stands_before_an_order_by_what_the_picture_shows(
    change: Callable[[YardState], YardState], why: str
) -> None:
    assert why in Rules(change(at_rest())).obstacle("north", "transfer")


def test_the_second_of_two_steps_is_judged_by_a_picture_that_shows_the_first() -> None:
    """Within one tick an order that has just gone out stands against one beside it."""
    terminal = Terminal()
    found: list[str] = []

    class Watched(Supervisor):
        def start(self, step: Any) -> str:
            why = super().start(step)
            if not why and step.act == "transfer" and "ferry" in step.fields.values():
                found.append(self.new_rules(self.look()).obstacle("ferry", "run"))
            return why

    supervisor = terminal.supervise(Watched, goals=(Move("B2", "ferry", 0),))
    terminal.run_until(lambda: supervisor.finished)
    assert found == ["run at ferry waits for north"]
