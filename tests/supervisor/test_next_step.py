"""The whole cycle: a box from the stack by the water over the shuttle to a train that has come to rest."""

from __future__ import annotations

from random import Random

import pytest

from reference_node.supervisor.plan.goals import Admit, Depart, Goal, Move, Run, Together
from reference_node.supervisor.plan.next_step import route
from tests.supervisor.terminal import EMPTY_TRAIN, Terminal, believes_only_truth, where

CYCLE: tuple[Goal, ...] = (
    Together((Admit("siding", "T1", EMPTY_TRAIN), Move("B2", "ferry", 0))),
    Move("B2", "siding", 1),
    Depart("siding"),
)


def test_full_cycle_as_the_truth_has_it() -> None:
    terminal = Terminal()
    supervisor = terminal.supervise(goals=CYCLE)

    terminal.run_until(lambda: where(terminal.truth, "B2") == ("ferry", 0))
    terminal.run_until(lambda: where(terminal.truth, "B2") == ("siding", 1))
    terminal.run_until(lambda: supervisor.finished)

    assert terminal.truth.accidents == []
    assert supervisor.troubles == []
    assert believes_only_truth(supervisor, terminal)
    acts = [(node, sent.act, sent.state) for _, node, sent in supervisor.history]
    assert sorted(acts) == [
        ("ferry", "run", "done"),
        ("north", "home", "done"),
        ("north", "transfer", "done"),
        ("siding", "admit", "done"),
        ("siding", "depart", "done"),
        ("south", "home", "done"),
        ("south", "transfer", "done"),
    ]


@pytest.mark.parametrize("seed", range(5))
def test_full_cycle_over_a_lossy_channel_with_repeats(seed: int) -> None:
    """Berth and south crane publish at QoS 0 and lose one message in twenty on each leg."""
    terminal = Terminal(seed=seed, loss=0.05, repeat=0.2)
    supervisor = terminal.supervise(goals=CYCLE, rng=Random(seed))

    terminal.run_until(lambda: supervisor.finished, within_s=300)

    assert terminal.truth.accidents == []
    assert believes_only_truth(supervisor, terminal)
    assert [sent.state for _, _, sent in supervisor.history] == ["done"] * 7, "nothing was done twice"


def test_every_node_is_owned_before_anything_is_told_to_move() -> None:
    """SUP-01, SUP-02: ask, claim, and only with all nodes owned the first moving order."""
    terminal = Terminal(nodes=("north", "siding", "ferry"))
    supervisor = terminal.supervise(goals=CYCLE)

    terminal.run_for(30)
    assert {body["act"] for node in ("north", "siding", "ferry") for body in terminal.orders(node)} == {
        "ask",
        "claim",
    }
    assert not supervisor.was_owned

    terminal.add("south")
    terminal.run_until(lambda: supervisor.finished)


def test_route_goes_by_the_fewest_cranes_and_over_the_shuttle_where_it_has_to() -> None:
    site = Terminal(nodes=()).site
    assert route(site, "stack-n", "siding") == (("north", "ferry"), ("south", "siding"))
    assert route(site, "siding", "stack-s") == (("south", "stack-s"),)
    assert route(site, "stack-n", "stack-n") == ()


def test_shuttle_alone() -> None:
    terminal = Terminal()
    supervisor = terminal.supervise(goals=(Run("ferry", "quay-s"), Run("ferry", "quay-n")))
    terminal.run_until(lambda: supervisor.finished)
    ways = dict.fromkeys(body["to"] for body in terminal.orders("ferry", "run"))
    assert list(ways) == ["quay-s", "quay-n"]
    assert terminal.shuttle_stands_at("ferry") == "quay-n"
