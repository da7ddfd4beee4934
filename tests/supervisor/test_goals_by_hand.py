"""Goals that a person gives: listed, dropped, put in another order; refused where they cannot be, else taken."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from protocol.site_file import read_site, scenario_text
from reference_node.supervisor.observe.boxes import Spot
from reference_node.supervisor.person.by_hand import ByHand
from reference_node.supervisor.supervisor import Supervisor
from tests.supervisor.terminal import Terminal, where

MOVING = ("transfer", "run", "admit", "depart", "jog", "home", "park")


def ready(**options: Any) -> tuple[Terminal, Supervisor, ByHand]:
    """A yard in which everything stands still, homed: B1 and B2 in one column of stack-n, B3 in the other."""
    terminal = Terminal(**options)
    supervisor = terminal.supervise()
    sessions = supervisor.sessions.values()
    terminal.run_until(lambda: len(supervisor.history) == 2 and all(session.idle() for session in sessions))
    return terminal, supervisor, ByHand(lambda: supervisor)


def moved(terminal: Terminal) -> int:
    """How many moving orders have reached the broker."""
    return len(
        {(node, body["id"]) for node in terminal.controllers for body in terminal.orders(node, *MOVING)}
    )


def test_an_unknown_box_does_not_block_what_comes_after_it() -> None:
    terminal, supervisor, hand = ready()
    said = hand.want("C-999", "stack-s", 0)
    assert said == (
        "there is no box C-999: known are B1, B2, B3; if it stands somewhere, tell that first (tell PLACE SLOT BOX)"
    )
    assert hand.goals() == []
    assert hand.want("B3", "stack-s", 0) is None
    terminal.run_until(lambda: supervisor.finished)
    assert where(terminal.truth, "B3") == ("stack-s", 0)


REFUSED: list[tuple[Callable[[ByHand], str | None], str]] = [
    (lambda hand: hand.want("B_3", "stack-s", 0), "'B_3' is no box's label: 1 to 12 characters A-Z a-z 0-9 '-'"),
    (lambda hand: hand.want("B3", "stack-s", 2), "stack-s has slots 0 to 1, not 2"),
    (lambda hand: hand.want("B3", "stack-s", -1), "stack-s has slots 0 to 1, not -1"),
    (lambda hand: hand.want("B3", "stack-s", 1), "slot 1 of stack-s would be in mid-air: nothing stands in slot 0"),
    (lambda hand: hand.want("B3", "stack-n", 3), "would be in mid-air: only B3 itself stands in slot 2"),
    (lambda hand: hand.want("B3", "siding", 0), "no train stands on siding; say it with the train: train siding NAME"),
    (lambda hand: hand.want_train("siding", "T1", {0: "B9"}), "there is no box B9: known are B1, B2, B3"),
    (lambda hand: hand.want_train("siding", "T1", {3: "B3"}), "siding has slots 0 to 2, not 3"),
    (lambda hand: hand.want_train("siding", "T1", [(0, "B3"), (0, "B2")]), "slot 0 of siding is given to B3 and B2"),
    (lambda hand: hand.want_train("siding", "T_1", {}), "'T_1' is no train's label: 1 to 8 characters"),
    (lambda hand: hand.want_train("siding", "", {}), "is no train's label"),
    (lambda hand: hand.drop(7), "there is no goal 7; goals are: none"),
    (lambda hand: hand.reorder(7, 1), "there is no goal 7; goals are: none"),
]  # fmt: skip


@pytest.mark.parametrize(("ask", "why"), REFUSED, ids=range(len(REFUSED)))
def test_what_cannot_be_is_refused_and_nothing_is_published(
    ask: Callable[[ByHand], str | None], why: str
) -> None:
    terminal, _, hand = ready()
    before = moved(terminal)
    said = ask(hand)
    assert said is not None
    assert why in said
    assert hand.goals() == []
    terminal.run_for(10)
    assert moved(terminal) == before


def test_what_an_earlier_goal_changes_is_minded() -> None:
    _, _, hand = ready()
    assert hand.want("B3", "stack-s", 0) is None
    assert hand.want("B2", "stack-s", 1) is None, "B3 will stand below it"
    assert hand.want_train("siding", "T1", {0: "B2"}) is None
    said = hand.want("B2", "stack-n", 0)
    assert said == "box B2 leaves with the train of goal 3; drop that goal first, or want it there before"


def test_a_place_that_no_crane_reaches_or_none_from_there() -> None:
    text = scenario_text() + '\n[places.far]\nkind = "stack"\ncolumns = 1\n'
    site = read_site(text.encode(), "site.toml")
    _, _, hand = ready(site=site)
    assert hand.want("B3", "far", 0) == "no crane reaches far: nothing can be set down there"


def test_a_box_in_a_spreader_that_knows_not_where_it_is() -> None:
    _, supervisor, hand = ready()
    supervisor.inventory.spreaders["north"] = "B7"
    words = supervisor.sessions["north"].words
    words["crane-status"] = {**words["crane-status"], "mode": "unhomed", "load": "box"}
    assert hand.want("B7", "stack-s", 0) == (
        "box B7 hangs in the spreader of north, and nobody knows where that is: home north first"
    )


def test_goals_are_listed_dropped_and_put_in_another_order() -> None:
    terminal, supervisor, hand = ready()
    for box, slot in (("B3", 0), ("B2", 1)):
        assert hand.want(box, "stack-s", slot) is None
    assert hand.want_train("siding", "T1", {}) is None
    assert [(one.number, one.text) for one in hand.goals()] == [
        (1, "box B3 to stack-s slot 0"), (2, "box B2 to stack-s slot 1"), (3, "train T1 at siding"),
    ]  # fmt: skip
    assert hand.reorder(3, 1) is None
    assert hand.reorder(3, 4) == "positions are 1 to 3, not 4"
    assert [one.number for one in hand.goals()] == [3, 1, 2]
    assert hand.drop(2) is None
    assert [one.number for one in hand.goals()] == [3, 1]
    terminal.run_until(lambda: supervisor.finished, 300)
    ended = [(node, sent.act) for _, node, sent in supervisor.history if sent.act != "home"]
    assert ended.index(("siding", "depart")) < ended.index(("north", "transfer"))
    assert where(terminal.truth, "B2") == ("stack-n", 1)
    assert hand.want("B2", "ferry", 0) is None
    assert [one.number for one in hand.goals()] == [4], "a number is never given again"


def test_a_goal_dropped_while_it_is_worked_on_ends_with_the_job_under_way() -> None:
    terminal, supervisor, hand = ready()
    assert hand.want("B3", "stack-s", 0) is None
    terminal.run_until(lambda: bool(supervisor.execution.under_way))
    terminal.run_for(0.5)
    before = moved(terminal)
    assert hand.drop(1) is None
    terminal.run_for(40)
    assert moved(terminal) == before
    assert where(terminal.truth, "B3") == ("ferry", 0)
    assert supervisor.finished


def test_a_blocked_goal_says_by_what_and_those_that_share_nothing_with_it_go_on() -> None:
    terminal, supervisor, hand = ready()
    supervisor.open_questions.listen(None)
    supervisor.inventory.doubt_slot(Spot("stack-s", 1))
    review = hand.review("want", "B9", "stack-s", 0)
    assert (review.refused, review.blocked) == (None, "nobody knows where box B9 is")
    assert hand.want("B9", "stack-s", 0) is None
    assert hand.want("B9", "ferry", 0) is None
    assert hand.want("B2", "stack-n", 3) is None
    terminal.run_until(lambda: where(terminal.truth, "B2") == ("stack-n", 3), 60)
    terminal.run_until(lambda: len(hand.goals()) == 2, 10)
    assert [(one.number, one.blocked) for one in hand.goals()] == [
        (1, "nobody knows where box B9 is"), (2, "comes after goal 1, which is blocked"),
    ]  # fmt: skip
    (question,) = [one for one in hand.questions() if "stack-s" in one.text]
    assert hand.answer(question.number, "- -") is None
    terminal.truth.boxes["stack-n", 1] = "B9"  # Somebody brings it.
    assert hand.tell("stack-n", 1, "B9") is None
    terminal.run_until(lambda: where(terminal.truth, "B9") == ("stack-s", 0), 120)
    terminal.run_until(lambda: supervisor.finished, 120)
    assert where(terminal.truth, "B9") == ("ferry", 0)


def test_a_slot_that_cannot_be_cleared_names_what_stands_there() -> None:
    """Every slot in reach is taken: B9 has nowhere to go, and goes as soon as there is room."""
    boxes = {("stack-s", 0): "B8", ("stack-s", 1): "B9", ("ferry", 0): "B7"}
    boxes |= {("stack-n", slot): f"B{slot}" for slot in range(4)}
    terminal, supervisor, hand = ready(boxes=boxes)
    assert hand.want("B7", "stack-s", 1) is None
    terminal.run_until(lambda: bool(hand.goals()[0].blocked), 60)
    assert hand.goals()[0].blocked == "slot 1 of stack-s is occupied by B9, which has nowhere to go"
    assert hand.want_train("siding", "T1", {0: "B9"}) is None
    assert hand.goals()[1].blocked == ""
    terminal.run_until(lambda: supervisor.finished, 300)
    assert where(terminal.truth, "B7") == ("stack-s", 1)


def test_what_is_told_cannot_hang_in_mid_air_or_have_a_label_twice() -> None:
    terminal, supervisor, hand = ready()
    assert hand.tell("stack-s", 1, "B4") == (
        "slot 1 of stack-s would hold B4 in mid-air: nothing stands in slot 0 below it; say first what stands in slot 0"
    )
    assert hand.tell("stack-n", 0, None) == (
        "slot 1 of stack-n would hold B2 in mid-air: nothing stands in slot 0 below it; say first what stands in slot 1"
    )
    said = hand.tell("stack-s", 0, "B3") or ""
    assert said.startswith("box B3 stands in slot 2 of stack-n already, and two boxes cannot have one label")
    assert hand.tell("stack-s", 0, "b_4") == "'b_4' is no box's label: 1 to 12 characters A-Z a-z 0-9 '-'"
    assert supervisor.inventory.slots["stack-s"] == ["", ""]
    assert supervisor.journal.alarms == []
    supervisor.open_questions.listen(None)
    supervisor.inventory.doubt_place("stack-s")
    terminal.run_for(2)
    (question,) = hand.questions()
    assert "in mid-air" in (hand.answer(question.number, "- B4") or "")
    assert hand.answer(question.number, "B4 B4") == "box B4 cannot stand in two slots of stack-s"
    assert hand.answer(question.number, "B4 -") is None
