"""A hold that comes twice holds once, and what is meant as a new hold is never taken for a repeat [HLD-08, SUP-31]."""

from __future__ import annotations

from typing import Any

from reference_node.controller.controller import Controller
from reference_node.controller.order_desk import OrderDesk
from reference_node.supervisor.supervisor import Supervisor
from tests.faulty_nodes.faulty import judge
from tests.reference_node.yard import Yard
from tests.supervisor.terminal import Hand, Terminal


def held_by_the_supervisor() -> tuple[Terminal, Supervisor]:
    """The crane north, held by a supervisor that wants nothing else."""
    terminal = Terminal()
    supervisor = terminal.supervise(on_question=terminal.person)
    terminal.run_until(
        lambda: supervisor.was_owned and not supervisor.questions and not len(supervisor.holds)
    )
    terminal.run_for(20)
    supervisor.hold("north")
    terminal.run_until(lambda: "north" in supervisor.holds.obeyed)
    return terminal, supervisor


def test_a_second_copy_behind_the_resume_holds_nothing() -> None:
    terminal, supervisor = held_by_the_supervisor()
    crane, copy = terminal.controllers["north"], terminal.orders("north", "hold")[-1]
    assert supervisor.release("north") == ""
    terminal.run_until(lambda: not crane.held)
    count = crane.holds
    Hand(terminal, "north").send("hold", token=copy["token"])
    terminal.run_for(5)
    assert (crane.held, crane.holds) == (False, count)


def test_who_has_none_or_another_token_holds_always() -> None:
    terminal, supervisor = held_by_the_supervisor()
    crane, copy = terminal.controllers["north"], terminal.orders("north", "hold")[-1]
    assert supervisor.release("north") == ""
    terminal.run_until(lambda: not crane.held)
    Hand(terminal, "north").send("hold")
    terminal.run_until(lambda: crane.held)
    count = crane.holds
    Hand(terminal, "north").send(
        "hold", token=copy["token"]
    )  # the newest hold was another: this is no repeat of it
    terminal.run_until(lambda: crane.holds == count + 1)


def test_a_node_that_says_it_is_not_held_any_more_is_held_again_with_another_token() -> None:
    """With the same it would take the new hold for a repeat, and stay free for ever."""
    terminal, supervisor = held_by_the_supervisor()
    crane = terminal.controllers["north"]
    before = terminal.orders("north", "hold")
    crane.held = False  # as a board does that has a button of its own for it
    terminal.run_until(lambda: crane.held)
    assert terminal.orders("north", "hold")[-1]["token"] not in {body.get("token") for body in before}
    assert "north" in supervisor.holds


def test_a_hold_that_is_asked_for_once_more_is_a_new_one() -> None:
    terminal, supervisor = held_by_the_supervisor()
    before = terminal.orders("north", "hold")[-1]["token"]
    supervisor.hold("north")
    terminal.run_for(1)
    assert terminal.orders("north", "hold")[-1]["token"] != before


def test_repeats_into_silence_carry_one_token() -> None:
    terminal, supervisor = held_by_the_supervisor()
    sent = len(terminal.orders("south", "hold"))
    terminal.bus.detach("south", graceful=False)
    supervisor.hold("south")
    terminal.run_for(5)
    tokens = [body["token"] for body in terminal.orders("south", "hold")[sent:]]
    assert len(tokens) > 2
    assert len(set(tokens)) == 1


def test_two_holds_that_the_node_counts_are_not_both_taken_for_copies_of_one() -> None:
    """Repeated often and counted once: the second that is counted is somebody else's, and a person has to say so."""
    terminal, supervisor = held_by_the_supervisor()
    own, crane = supervisor.holds.standing["north"], terminal.controllers["north"]
    own.sent = 3  # as after repeats of which the node's word was lost
    Hand(terminal, "north").send("hold")
    count = crane.holds
    terminal.run_until(lambda: crane.holds == count + 1)
    terminal.run_for(1)
    assert "somebody else" in supervisor.release("north")


def test_a_node_of_1_0_knows_no_repeat() -> None:
    class FirstMinor(Controller):
        minor = 0

    yard = Yard("north", controller=FirstMinor)
    for _ in range(2):
        yard.send("north", {"act": "hold", "token": 5})
    assert yard.nodes["north"].holds == 2


class ObeysEveryCopy(Controller):
    """As a board that keeps no token: a nuisance and no danger, so it is told as a warning."""

    class desk_class(OrderDesk):  # noqa: N801
        def obey_hold(self, order: Any, reason: str) -> None:
            super().obey_hold({"act": "hold"}, reason)


def test_a_node_that_obeys_every_copy_is_warned() -> None:
    result = judge("north", controller=ObeysEveryCopy, only=("hold-repeated",))["hold-repeated"]
    assert {one.requirement for one in result.warnings} == {"HLD-08"}
    assert not judge("north", only=("hold-repeated",))["hold-repeated"].warnings
