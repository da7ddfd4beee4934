"""Who was sent to a machine learns at the prompt that nobody waits for the answer any more [SUP-26].

Only a person sees it, so no case of the suite can: the check is here, and supervisors that break it fail it.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest

from conformance.commands.supervise.prompt import Prompt
from reference_node.supervisor.person.by_hand import ByHand
from reference_node.supervisor.questions.answers import Answers
from reference_node.supervisor.questions.open_questions import OpenQuestions
from reference_node.supervisor.questions.question import Question
from reference_node.supervisor.supervisor import Supervisor
from tests.supervisor.terminal import Terminal
from tests.supervisor.test_restarts import with_second_supervisor

Ends = Callable[[Terminal, Supervisor], None]


def _another_comes(terminal: Terminal, _supervisor: Supervisor) -> None:
    terminal.supervise(name="yard2", on_question=None)


def _it_winds_up(_terminal: Terminal, supervisor: Supervisor) -> None:
    supervisor.wind_up()


WAYS = [(_another_comes, "another supervisor has claimed"), (_it_winds_up, "orders nothing more")]


def missing(kind: type[Supervisor], ends: Ends, why: str) -> list[str]:
    """What a person at the prompt of a supervisor of that kind does not learn once it orders nothing more."""
    terminal = Terminal(site=with_second_supervisor(Terminal(nodes=()).site))
    supervisor = terminal.supervise(kind, on_question=None)
    terminal.run_until(lambda: len(supervisor.questions) == 4)
    hand, asked = ByHand(lambda: supervisor), list(supervisor.questions)
    numbers = {one.number for one in hand.questions()}
    ends(terminal, supervisor)
    terminal.run_for(10)
    found = {
        "a question is still open": bool(supervisor.questions),
        "what happened does not say so": _told(hand.events()) != len(asked),
        "`questions` does not say so": _told(Prompt(hand).do("questions")) != len(asked),
        "an answer is taken": not all("WITHDRAWN" in (hand.answer(number, "-") or "") for number in numbers),
        "it is not said why": [why in one.why for one in hand.withdrawn()] != [True] * len(asked),
        "an answer of before is taken": not all(_is_refused(one, why) for one in asked),
        "whoever is there does not find it held still": not terminal.controllers["north"].held,
    }
    return [what for what, so in found.items() if so]


def _told(lines: list[str]) -> int:
    return sum("WITHDRAWN, do not answer" in line for line in lines)


def _is_refused(question: Question, why: str) -> bool:
    try:
        question.answer()
    except ValueError as error:
        return why in str(error)
    return False


@pytest.mark.parametrize(("ends", "why"), WAYS)
def test_who_orders_no_more_withdraws_its_questions(ends: Ends, why: str) -> None:
    assert missing(Supervisor, ends, why) == []


# ---------------------------------------------------------------- supervisors that break it
class GoesOnAsking(Supervisor):
    """What was asked stays open, whoever rules now."""

    class questions_class(OpenQuestions):  # noqa: N801
        def withdraw_all(self, why: str) -> None:
            """Leaves them."""

    def new_questions(
        self, answers: Answers, on_question: Callable[[Question], None] | None
    ) -> OpenQuestions:
        return self.questions_class(
            self.look,
            self.new_rules,
            self.holds,
            answers,
            on_question,
            self.note,
        )


class WithdrawsWithoutAWord(GoesOnAsking):
    """The questions are gone, and nothing tells the person who went there."""

    class questions_class(OpenQuestions):  # noqa: N801
        def withdraw_all(self, why: str) -> None:
            self.questions.clear()


class SaysItOnlyWhereItIsAsked(GoesOnAsking):
    """`questions` tells it; whoever looks at what happens learns nothing."""

    class questions_class(OpenQuestions):  # noqa: N801
        def withdraw_all(self, why: str) -> None:
            self._note = lambda _what: None
            super().withdraw_all(why)


class LetsGoOfWhatItHeld(GoesOnAsking):
    """As nobody is asked any more, nobody is to be held for."""

    class questions_class(OpenQuestions):  # noqa: N801
        def withdraw_all(self, why: str) -> None:
            super().withdraw_all(why)
            for name in list(self._holds):
                self._holds.kept = {}
                self._holds.release(name, self._look().now_ms)


@pytest.mark.parametrize(("ends", "why"), WAYS)
@pytest.mark.parametrize(
    ("kind", "lacks"),
    [
        (GoesOnAsking, "a question is still open"),
        (WithdrawsWithoutAWord, "`questions` does not say so"),
        (SaysItOnlyWhereItIsAsked, "what happened does not say so"),
    ],
)
def test_a_supervisor_that_does_not_say_so_is_found(
    kind: type[Supervisor], lacks: str, ends: Ends, why: str
) -> None:
    assert lacks in missing(kind, ends, why)


def test_a_supervisor_that_lets_a_machine_go_is_found() -> None:
    """As long as it still rules: what another one does after it has claimed is that one's."""
    assert "whoever is there does not find it held still" in missing(LetsGoOfWhatItHeld, *WAYS[1])
