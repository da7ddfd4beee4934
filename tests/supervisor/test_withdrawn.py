"""What a desk tells of questions that were withdrawn: until they are asked again, and across a restart."""

from __future__ import annotations

import pytest

from reference_node.supervisor.person.by_hand import ByHand
from reference_node.supervisor.questions.question import NO_ANSWER, TURN_BACK, Ask, Question, Withdrawn
from tests.supervisor.terminal import Hand
from tests.supervisor.test_a_person_at_a_machine import asking


def test_it_stands_until_the_same_is_asked_anew() -> None:
    terminal, supervisor, question, _ = asking()
    hand = ByHand(lambda: supervisor)
    number = next(one.number for one in hand.questions() if one.where == "stack-n")
    terminal.reset("north")
    Hand(terminal, "north").job("home", 1, boot=2)
    terminal.run_until(lambda: question not in supervisor.questions)
    gone = next(one for one in hand.withdrawn() if one.number == number)
    assert (gone.where, gone.caution, gone.text) == ("stack-n", TURN_BACK, question.asks)
    assert "north has restarted" in gone.why
    assert hand.answer(number, "- - - -") == f"WITHDRAWN, do not answer: {gone.why}"
    terminal.run_until(lambda: any(one.place == "stack-n" for one in supervisor.questions))
    assert number not in {one.number for one in hand.withdrawn()}
    assert any(one.where == "stack-n" for one in hand.questions())
    assert "is not open" in (hand.answer(number, "- - - -") or "")


def test_who_was_sent_by_a_supervisor_that_has_started_anew_is_called_back() -> None:
    """The new one knows nothing of the old one's questions, and a person may be on the way."""
    terminal, first, question, _ = asking()
    at_work = [first]
    hand = ByHand(lambda: at_work[0])
    numbers = {one.number for one in hand.questions()}
    assert numbers
    terminal.bus.detach("yard", graceful=False)
    at_work[0] = terminal.supervise(boot=2, on_question=None)
    assert {one.number for one in hand.withdrawn()} == numbers
    assert {one.caution for one in hand.withdrawn()} == {TURN_BACK}
    assert all("restarted" in one.why for one in hand.withdrawn())
    assert "WITHDRAWN" in (hand.answer(min(numbers), "-") or "")
    terminal.run_until(lambda: any(one.place == question.place for one in at_work[0].questions))
    assert question.place not in {one.where for one in hand.withdrawn()}


def test_an_answered_question_is_not_withdrawn() -> None:
    terminal, supervisor, question, _ = asking(Ask.SHUTTLE, "ferry")
    hand = ByHand(lambda: supervisor)
    hand.questions()
    terminal.person(question)
    assert "ferry" not in {one.where for one in hand.withdrawn()}
    assert hand.withdrawn() == []


def test_none_is_forgotten_however_many_there_are() -> None:
    """A site may have more places than any number that somebody thought enough."""
    _, supervisor, _, _ = asking()
    hand, open_questions = ByHand(lambda: supervisor), supervisor.open_questions
    template = supervisor.questions[0]
    for number in range(30):
        copy = type(template)(Ask.SLOTS, "", f"stack-{number}", "What stands there?")
        supervisor.questions.append(copy)
    numbers = {one.number for one in hand.questions()}
    open_questions.withdraw_all("a test ends it.")
    assert {one.number for one in hand.withdrawn()} == numbers


def test_its_age_counts_from_the_withdrawal() -> None:
    terminal, supervisor, _, _ = asking()
    hand = ByHand(lambda: supervisor)
    hand.questions()
    supervisor.wind_up()
    terminal.run_for(5)
    assert all(4_900 <= one.for_ms <= 5_100 for one in hand.withdrawn())
    assert hand.withdrawn()


@pytest.mark.parametrize("about", Ask)
def test_only_who_was_sent_somewhere_is_told_not_to_go_there(about: Ask) -> None:
    """Leave to go on sends nobody to a machine."""
    gone = Withdrawn(Question(about, "north", "", "What is so?"), "a test ends it.", 0)
    assert gone.caution == (NO_ANSWER if about in (Ask.HELD, Ask.GAP) else TURN_BACK)
