"""What is looked at before it is sent is checked as if it were sent, by site, travel, state, rules and schema."""

from __future__ import annotations

from typing import Any

import pytest

from reference_node.supervisor.person.by_hand import ByHand
from reference_node.supervisor.supervisor import Supervisor
from tests.supervisor.terminal import Hand, Terminal
from tests.supervisor.test_goals_by_hand import moved, ready

TRANSFER = {"from": "stack-n", "from_slot": 1, "to": "ferry", "to_slot": 0}

UNDOABLE: list[tuple[str, str, dict[str, Any], str]] = [
    ("north", "jog", {"target": [601, 0, 0]}, "x of north goes from 0 to 600 mm, not to 601"),
    ("north", "jog", {"target": [0, 0, -1]}, "z of north goes from 0 to 160 mm, not to -1"),
    ("north", "jog", {"target": [0, 0]}, "north has 3 axes: give one figure each for x, y, z"),
    ("ferry", "run", {"to": "quay-x"}, "ferry serves quay-n, quay-s, not 'quay-x'"),
    ("siding", "depart", {}, "the train at siding has to be at rest"),
    ("siding", "admit", {"train": "T_7"}, "train"),
    ("siding", "admit", {"train": "T-1234567"}, "train"),
    ("north", "home", {}, "north is ready"),
    ("north", "transfer", {**TRANSFER, "to": "stack-n", "to_slot": 1}, "slot 1 of stack-n is both ends of it"),
    ("north", "transfer", {**TRANSFER, "to": "siding"}, "north does not reach 'siding'"),
    ("north", "transfer", {**TRANSFER, "from_slot": 0}, "box B1 has another on top, or nobody knows"),
    ("north", "transfer", {**TRANSFER, "box": "B9"}, "stack-n slot 1 holds B2, not B9"),
    ("south", "transfer", {**TRANSFER, "from": "ferry", "from_slot": 0, "to": "stack-s"}, "ferry slot 0 holds nothing"),
    ("south", "cancel", {}, "south has no job open"),
    ("south", "reset-fault", {}, "south has no fault that waits for a person"),
    ("west", "home", {}, "there is no node 'west'"),
]  # fmt: skip


@pytest.mark.parametrize(("node", "act", "fields", "why"), UNDOABLE)
def test_what_is_refused_when_it_is_looked_at_is_refused_when_it_is_sent(
    node: str, act: str, fields: dict[str, Any], why: str
) -> None:
    terminal, _, hand = ready()
    before = moved(terminal)
    review = hand.review("order", node, act, **fields)
    assert why in (review.refused or "")
    assert hand.order(node, act, **fields) == review.refused
    terminal.run_for(5)
    assert moved(terminal) == before


def test_what_would_happen_is_said_and_does_not_happen() -> None:
    terminal, supervisor, hand = ready()
    before = moved(terminal)
    review = hand.review("order", "north", "transfer", **TRANSFER)
    assert review.refused is None
    id_ = supervisor.sessions["north"].draft("home")["id"]
    assert review.will == (
        f"north: box B2 from stack-n slot 1 to ferry slot 0; as order {id_}, to begin within 20 s or not at all"
    )
    goal = hand.review("want", "B3", "stack-s", 0)
    assert (goal.refused, goal.will) == (None, "planned for: box B3 to stack-s slot 0")
    assert hand.review("want_train", "siding", "T1", {0: "B3"}).refused is None
    assert hand.review("tell", "stack-s", 0, "B8").will == "stack-s slot 0 is taken to hold B8"
    terminal.run_for(10)
    assert moved(terminal) == before
    assert hand.goals() == []
    assert supervisor.inventory.slots["stack-s"] == ["", ""]
    assert hand.order("north", "transfer", **TRANSFER) is None
    terminal.run_for(1)
    assert terminal.orders("north", "transfer")[0]["id"] == id_


def _held(terminal: Terminal, supervisor: Supervisor) -> str:
    Hand(terminal, "north").send("hold")
    terminal.run_until(lambda: terminal.controllers["north"].held)
    terminal.run_for(1)
    return "north is held"


def _absent(terminal: Terminal, supervisor: Supervisor) -> str:
    terminal.bus.detach("north", graceful=False)
    terminal.run_until(lambda: not supervisor.sessions["north"].reachable(terminal.time.now_ms))
    return "north has not been heard lately"


def _at_work(terminal: Terminal, supervisor: Supervisor) -> str:
    assert ByHand(lambda: supervisor).order("north", "park") is None
    return "north is working"


def _shuttle_gone(terminal: Terminal, supervisor: Supervisor) -> str:
    assert ByHand(lambda: supervisor).order("ferry", "run", to="quay-s") is None
    terminal.run_until(lambda: supervisor.look().idle("ferry"))
    return "ferry has to run to quay-n first"


@pytest.mark.parametrize("becomes", [_held, _absent, _at_work, _shuttle_gone])
def test_a_review_looks_at_how_things_stand_now(becomes: Any) -> None:
    terminal, supervisor, hand = ready()
    supervisor.open_questions.listen(None)
    assert hand.review("order", "north", "transfer", **TRANSFER).refused is None
    why = becomes(terminal, supervisor)
    terminal.run_for(0.5)
    before = moved(terminal)
    assert hand.review("order", "north", "transfer", **TRANSFER).refused == why
    assert hand.order("north", "transfer", **TRANSFER) == why
    terminal.run_for(3)
    assert len(terminal.orders("north", "transfer")) == 0
    assert moved(terminal) == before


def test_a_train_that_rests_where_an_axis_does_not_reach() -> None:
    """A slot of a train is where the table has it for this train's reading."""
    terminal, supervisor, hand = ready()
    assert hand.order("siding", "admit") is None
    terminal.run_until(lambda: supervisor.look().idle("siding") and len(supervisor.history) == 3)
    terminal.run_for(2)
    words = supervisor.sessions["siding"].words
    words["train-arrival"] = {**words["train-arrival"], "reading": 999}
    supervisor.inventory.tell("siding", ("", "", ""))
    supervisor.inventory.tell("stack-s", ("B8", ""))
    fields = {"from": "stack-s", "from_slot": 0, "to": "siding", "to_slot": 2}
    assert "is outside the measured table" in (
        hand.review("order", "south", "transfer", **fields).refused or ""
    )
