"""A wish is planned for as a whole, followed, and planned for again when things turn out otherwise."""

from __future__ import annotations

import pytest

from reference_node.supervisor.observe.boxes import Spot
from reference_node.supervisor.person.by_hand import ByHand
from reference_node.supervisor.plan.goal_state import GoalState, Visit
from reference_node.supervisor.questions.question import Question
from tests.supervisor.terminal import EMPTY_TRAIN, Hand, Terminal, believes_only_truth, where

TO_THE_TRAIN = GoalState(visits=(Visit("T1", "siding", EMPTY_TRAIN, {1: "B2"}),))


def test_the_plan_is_followed_and_takes_as_long_as_it_says() -> None:
    terminal = Terminal()
    supervisor = terminal.supervise(goals=(TO_THE_TRAIN,))
    terminal.run_until(lambda: supervisor.execution.plan is not None and len(supervisor.execution.todo) == 3)
    plan, began_ms = supervisor.execution.plan, terminal.time.now_ms
    assert plan is not None
    assert plan.gap == 0
    terminal.run_until(lambda: supervisor.finished)
    took_ms = terminal.time.now_ms - began_ms
    assert 0.9 * plan.ends_ms < took_ms < 1.1 * plan.ends_ms
    assert terminal.truth.accidents == []
    assert [sent.state for _, _, sent in supervisor.history] == ["done"] * len(supervisor.history)


def test_no_word_yet_is_not_no_train() -> None:
    """A berth that has said nothing since the claim is unknown: no goal counts as met by its silence."""
    terminal = Terminal(nodes=("north", "south", "ferry"))
    goal_state = GoalState(visits=(Visit("T1", "siding", EMPTY_TRAIN),))
    supervisor = terminal.supervise(goals=(goal_state,))
    terminal.run_for(60)
    assert not supervisor.finished
    assert not supervisor.was_owned

    terminal.add("siding")
    terminal.run_until(lambda: supervisor.finished)
    acts = {body["id"]: body["act"] for body in terminal.orders("siding", "admit", "depart")}
    assert list(acts.values()) == ["admit", "depart"]


def test_an_order_by_hand_in_between_is_waited_for_and_planned_around() -> None:
    terminal = Terminal()
    supervisor = terminal.supervise(goals=(GoalState({"B3": Spot("stack-s", 0)}),))
    terminal.run_until(lambda: bool(supervisor.execution.under_way))
    plans = supervisor.execution.plans
    terminal.run_until(lambda: where(terminal.truth, "B3") == ("ferry", 0))
    hand = ByHand(lambda: supervisor)
    move = {"from": "stack-n", "from_slot": 1, "to": "stack-n", "to_slot": 2}
    terminal.run_until(lambda: supervisor.look().idle("north"))
    terminal.run_until(lambda: hand.order("north", "transfer", **move) is None)
    terminal.run_until(lambda: supervisor.finished)
    assert supervisor.execution.plans > plans
    assert where(terminal.truth, "B3") == ("stack-s", 0)
    assert where(terminal.truth, "B2") == ("stack-n", 2)
    assert terminal.truth.accidents == []


def test_what_cannot_be_is_said_and_nothing_moves_for_it() -> None:
    terminal = Terminal()
    supervisor = terminal.supervise(goals=(GoalState({"B9": Spot("stack-s", 0), "B3": Spot("stack-n", 3)}),))
    terminal.run_for(60)
    assert not supervisor.finished
    assert "nobody knows where box B9 is" in supervisor.waiting.values()
    assert terminal.truth.accidents == []


@pytest.mark.slow
def test_a_person_who_does_not_answer_is_waited_for() -> None:
    """Nothing is guessed, nothing moves near the question, and it goes on as soon as the answer comes."""
    terminal = Terminal()
    asked: list[Question] = []
    supervisor = terminal.supervise(goals=(TO_THE_TRAIN,), on_question=asked.append)
    terminal.run_for(300)
    assert not supervisor.finished
    assert terminal.orders("siding", "admit") == []
    supervisor.open_questions.listen(terminal.person)
    for question in list(supervisor.questions):
        terminal.person(question)
    terminal.run_until(lambda: supervisor.finished, 200)
    assert believes_only_truth(supervisor, terminal)


def test_a_train_that_is_refused_for_now_is_tried_again() -> None:
    """A hold refuses every job; once it is lifted the plan goes on."""
    terminal = Terminal()
    supervisor = terminal.supervise(goals=(TO_THE_TRAIN,))
    terminal.run_until(lambda: bool(terminal.orders("siding", "admit")))
    Hand(terminal, "siding").send("hold")
    terminal.run_until(lambda: supervisor.finished, 200)
    assert terminal.truth.gone == [] or terminal.truth.gone == ["B2"]
    assert where(terminal.truth, "B2") in (None, ("siding", 1))


def test_a_box_heard_of_in_two_places_is_an_alarm_with_what_led_to_it() -> None:
    """SUP-17: the trail holds the orders and reports before it."""
    terminal = Terminal()
    supervisor = terminal.supervise(goals=(GoalState({"B3": Spot("stack-n", 3)}),))
    terminal.run_until(lambda: supervisor.finished)
    supervisor.open_questions.listen(None)
    supervisor.inventory.tell_slot(Spot("stack-s", 0), "B3")
    terminal.run_for(1)
    (alarm,) = supervisor.journal.alarms
    assert alarm.what == "box B3 is heard of at another place than stack-n slot 3"
    assert {"job-order", "job-report"} <= {heard.message for heard in alarm.trail}
    assert not supervisor.inventory.is_sure("stack-n")
    assert not supervisor.inventory.is_sure("stack-s")
