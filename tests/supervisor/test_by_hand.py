"""What a person may ask for at the supervisor's side, and what is refused in words."""

from __future__ import annotations

import re
from random import Random

import pytest

from conformance.commands.supervise.prompt import Prompt
from reference_node.supervisor.observe.boxes import UNSURE
from reference_node.supervisor.person.by_hand import ByHand
from reference_node.supervisor.questions.question import CAUTION
from reference_node.supervisor.send.holds import Stage
from reference_node.supervisor.supervisor import Supervisor
from tests.supervisor.terminal import Hand, Terminal, where


def ready() -> tuple[Terminal, Supervisor, ByHand]:
    """A yard in which everything stands still, homed."""
    terminal = Terminal()
    supervisor = terminal.supervise()
    sessions = supervisor.sessions.values()
    terminal.run_until(lambda: len(supervisor.history) == 2 and all(session.idle() for session in sessions))
    return terminal, supervisor, ByHand(lambda: supervisor)


def test_one_transfer_by_hand() -> None:
    terminal, supervisor, hand = ready()
    assert (
        hand.order("north", "transfer", **{"from": "stack-n", "from_slot": 1, "to": "ferry", "to_slot": 0})
        is None
    )
    assert hand.order("north", "park") == "north has an order open"
    terminal.run_until(lambda: len(supervisor.history) == 3)
    assert where(terminal.truth, "B2") == ("ferry", 0)
    assert hand.events()[-1] == "north: transfer done"


@pytest.mark.parametrize(
    ("order", "why"),
    [
        (("west", "home", {}), "there is no node 'west'; nodes are: north, south, siding, ferry"),
        (("north", "run", {"to": "quay-s"}), "north is a crane and does not know 'run'"),
        (("north", "claim", {}), "claim is the supervisor's own affair"),
        (("north", "home", {}), "north is ready"),
        (("ferry", "cancel", {}), "ferry has no job open"),
        (("siding", "reset-fault", {}), "siding has no fault that waits for a person"),
        (("north", "transfer", {"to": "siding", "to_slot": 0}), "north does not reach 'siding'"),
        (
            ("north", "transfer", {"from": "stack-n", "from_slot": 3, "to": "ferry"}),
            "stack-n slot 3 holds nothing",
        ),
        (
            ("north", "transfer", {"from": "stack-n", "from_slot": 0, "to": "ferry"}),
            "box B1 has another on top",
        ),
        (
            ("north", "transfer", {"from": "stack-n", "from_slot": 1, "to": "stack-n", "to_slot": 2}),
            "is not free",
        ),
        (("north", "transfer", {"from": "stack-n", "from_slot": 9, "to": "ferry"}), "slots 0 to 3, not 9"),
        (
            ("north", "transfer", {"from": "stack-n", "from_slot": 1, "to": "ferry", "box": "B9"}),
            "B2, not B9",
        ),
        (("north", "transfer", {"to": "ferry"}), "the spreader of north holds nothing"),
        (
            ("south", "transfer", {"from": "ferry", "from_slot": 0, "to": "stack-s"}),
            "ferry slot 0 holds nothing",
        ),
    ],
)
def test_what_cannot_be_is_refused_in_words(order: tuple[str, str, dict[str, object]], why: str) -> None:
    terminal, _, hand = ready()
    node, act, fields = order
    said = hand.order(node, act, **fields)
    assert said is not None
    assert why in said
    terminal.run_for(5)
    assert len(terminal.truth.boxes) == 3


def test_the_shuttle_has_to_be_there() -> None:
    terminal, supervisor, hand = ready()
    assert hand.order("ferry", "run", to="quay-s") is None
    terminal.run_until(lambda: len(supervisor.history) == 3)
    terminal.run_for(3)
    said = hand.order("north", "transfer", **{"from": "stack-n", "from_slot": 1, "to": "ferry", "to_slot": 0})
    assert said == "ferry has to run to quay-n first"


def test_goals_by_hand() -> None:
    terminal, supervisor, hand = ready()
    assert hand.want("B2", "attic", 0) == (
        "there is no place 'attic'; places are: stack-n, stack-s, ferry, siding"
    )
    assert hand.want_train("dock", "T1", {}) == "there is no berth 'dock'; berths are: siding"
    assert hand.want_train("siding", "T1", {0: "B2", 1: "B2"}) == "wanted at two places: B2"
    assert hand.want("B2", "stack-s", 0) is None
    assert hand.want_train("siding", "T1", {0: "B2"}) is None
    terminal.run_until(lambda: supervisor.finished, 200)
    assert [sent.act for _, node, sent in supervisor.history if node == "siding"] == ["admit", "depart"]


def test_hold_and_resume() -> None:
    terminal, supervisor, hand = ready()
    assert hand.hold("west") == "there is no node 'west'"
    assert hand.resume("north") == "north is not held; nothing is held"
    assert hand.hold("all") is None
    terminal.run_until(lambda: [one.stage for one in hand.held()] == [Stage.OBEYED] * 4, 10)
    assert all(one.held for one in terminal.controllers.values())
    assert hand.order("north", "park") == "north is held"
    assert hand.resume(*terminal.controllers) is None
    terminal.run_until(lambda: not any(one.held for one in terminal.controllers.values()), 10)
    supervisor.open_questions.listen(None)
    Hand(terminal, "north").send("hold")
    terminal.run_until(lambda: bool(hand.questions()), 10)
    (question,) = hand.questions()
    assert question.choices == ("go on",)
    assert hand.answer(question.number, "maybe") == "say 'go on' once it is so"
    assert hand.resume("north") is None
    terminal.run_until(lambda: not terminal.controllers["north"].held, 10)


def test_questions_keep_their_numbers_and_take_words() -> None:
    terminal = Terminal()
    supervisor = terminal.supervise(on_question=lambda question: None)
    hand = ByHand(lambda: supervisor)
    terminal.run_until(lambda: len(supervisor.questions) == 4)
    questions = {question.text.removeprefix(f"{CAUTION} "): question.number for question in hand.questions()}
    slots = questions["What stands in the 4 slots of stack-n, slot 0 first? '-' for nothing."]
    assert hand.answer(99, "yes") == "question 99 is not open"
    assert hand.answer(slots, "B1 B2") == "stack-n has 4 slots, not 2"
    assert hand.answer(slots, "B1 B2 b_3 -") == "'b_3' is no box's label: 1 to 12 characters A-Z a-z 0-9 '-'"
    assert hand.answer(slots, "B1, B2, B3, -") is None
    assert supervisor.inventory.slots["stack-n"] == ["B1", "B2", "B3", ""]
    left = {question.text.removeprefix(f"{CAUTION} "): question.number for question in hand.questions()}
    assert left == {text: number for text, number in questions.items() if number != slots}


def test_a_question_says_what_to_type() -> None:
    """What stands there is typed as it stands there, with the number of the question in it."""
    terminal = Terminal()
    supervisor = terminal.supervise(on_question=lambda question: None)
    hand = ByHand(lambda: supervisor)
    terminal.run_until(lambda: len(supervisor.questions) == 4)
    lines = Prompt(hand).do("questions")
    asked = {one.number: one for one in hand.questions()}
    for number, question in asked.items():
        how = lines[lines.index(f"{number}  {question.text}") + 1]
        typed = re.findall("'(answer [^']+)'", how)
        assert typed
        assert all(line.startswith(f"answer {number} ") for line in typed)
        assert [line.removeprefix(f"answer {number} ") for line in typed] == [
            *(question.choices or ["WORD ..."])
        ]
    number, question = next((number, one) for number, one in asked.items() if one.choices)
    assert Prompt(hand).do(f"answer {number} {question.choices[0]}") == ["taken"]
    assert [one for one in hand.questions() if one.number == number] == []


def test_a_word_about_a_slot() -> None:
    terminal, supervisor, hand = ready()
    assert (
        hand.tell("attic", 0, "B4") == "there is no attic slot 0; places are: stack-n, stack-s, ferry, siding"
    )
    assert hand.tell("stack-s", 0, "B4") is None
    assert supervisor.inventory.slots["stack-s"] == ["B4", ""]
    assert hand.tell("stack-s", 0, None) is None
    assert hand.order("north", "park") is None
    said = hand.tell("stack-n", 3, "B5")
    assert said == "something works at stack-n; say it when it has come to its end"
    assert UNSURE not in supervisor.inventory.slots["stack-n"]
    terminal.run_for(5)


def test_nothing_is_told_before_all_nodes_are_there() -> None:
    terminal = Terminal(nodes=("north",))
    supervisor = terminal.supervise()
    terminal.run_for(5)
    hand = ByHand(lambda: supervisor)
    assert hand.tell("stack-s", 0, "B4") == "not all nodes are there yet"
    assert "not owned yet" in (hand.order("north", "home") or "")


def test_a_hold_of_somebody_else_beside_the_own_is_lifted_only_when_it_is_said_again() -> None:
    """SUP-14: a person is told first."""
    terminal, supervisor, hand = ready()
    supervisor.open_questions.listen(None)
    before = terminal.orders("north", "resume")
    assert hand.hold("north") is None
    terminal.run_until(lambda: [one.stage for one in hand.held()] == [Stage.OBEYED], 10)
    Hand(terminal, "north").send("hold")
    terminal.run_for(3)
    said = hand.resume("north")
    assert said == (
        "north may be held by somebody else too; say it once more to lift that hold as well; held: north"
    )
    terminal.run_for(3)
    assert terminal.controllers["north"].held
    assert "north" in supervisor.holds, "and the own hold stands as well"
    assert terminal.orders("north", "resume") == before
    assert hand.resume("north") is None
    terminal.run_until(lambda: not terminal.controllers["north"].held and not hand.held(), 10)


def test_a_hold_on_top_of_somebody_elses_does_not_make_it_ones_own() -> None:
    """SUP-14."""
    terminal, supervisor, hand = ready()
    supervisor.open_questions.listen(None)
    before = terminal.orders("north", "resume")
    Hand(terminal, "north").send("hold")
    terminal.run_until(lambda: [one.by for one in hand.held()] == ["somebody else"], 10)
    assert hand.hold("north") is None
    terminal.run_for(3)
    assert "may be held by somebody else too" in (hand.resume("north") or "")
    assert terminal.orders("north", "resume") == before


def test_who_is_replaced_can_hold_still() -> None:
    """HLD-01: a hold is obeyed from anybody; whoever sees something wrong must be able to stop it."""
    terminal, supervisor, hand = ready()
    terminal.bus.detach("yard", graceful=True)
    other = terminal.supervise(boot=2, rng=Random(12))
    terminal.run_until(lambda: all(session.owned for session in other.sessions.values()), 30)
    terminal.bus.detach("yard", graceful=True)
    terminal.bus.attach(supervisor)
    terminal.run_until(lambda: bool(supervisor.replaced), 30)
    assert hand.hold("south") is None
    terminal.run_until(lambda: terminal.controllers["south"].held, 5)
    terminal.run_until(lambda: hand.held()[0].stage is Stage.OBEYED, 5)
    assert hand.resume("south") == "south is held, and cannot be asked now; held: south"
