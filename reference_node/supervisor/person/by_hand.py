"""A person at the supervisor's side: orders, holds, words and answers, each by every rule of the protocol.

All methods are called on the thread that owns the supervisor. Whatever asks for something gives None if it is
taken, else why it is not, in words.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import count
from typing import Any, NamedTuple

from reference_node.supervisor.observe.boxes import EMPTY, in_words
from reference_node.supervisor.observe.gap import AWAY, GO_ON
from reference_node.supervisor.person import observation_check
from reference_node.supervisor.person.goal_check import GoalCheck, not_a_label
from reference_node.supervisor.person.order_check import OrderCheck
from reference_node.supervisor.person.request import Prepared, Ready, Review, done, reviewed
from reference_node.supervisor.plan.goal_list import ListedGoal
from reference_node.supervisor.questions.question import Ask, Question, Withdrawn
from reference_node.supervisor.send.holds import Held
from reference_node.supervisor.supervisor import Supervisor

NOTHING = "-"
"""How a person writes that there is nothing."""
EVERY = "all"
_YES = {Ask.TRACK: "it is empty", Ask.FAULT: "fixed", Ask.HELD: "go on", Ask.GAP: GO_ON}
SETTLED = (Ask.FAULT, Ask.TRACK, Ask.SHUTTLE, Ask.SPREADER)
"""Questions whose answer resets a fault."""
ANOTHER_START = "the supervisor has restarted and asks again for what it still has to know."
Takes = Mapping[int, str] | Sequence[tuple[int, str]]
"""Slots of a train, and the box that each is to take along."""


@dataclass(frozen=True, slots=True)
class NumberedQuestion:
    """One open question. Without choices the answer is free text."""

    number: int
    """Its name: never given to another question."""
    text: str
    choices: tuple[str, ...] = ()
    where: str = ""
    """The place or node that it is about, '' for the bus."""


@dataclass(frozen=True, slots=True)
class WithdrawnQuestion:
    """A question that was asked and is not any more: whoever went for the answer has to know."""

    number: int
    text: str
    where: str
    """The place or node that it was about, '' for the bus."""
    why: str
    caution: str
    """What to do now."""
    for_ms: int
    """How long ago it was withdrawn."""


class _Gone(NamedTuple):
    """A question with a number that is not open any more, and the supervisor that had asked it."""

    number: int
    gone: Withdrawn
    by: Supervisor


class ByHand:
    """What a person may ask of one supervisor, for a prompt or a page."""

    def __init__(self, at_work: Callable[[], Supervisor], seat: str = "a person") -> None:
        """`at_work` gives the supervisor that is at work: a restart brings another. `seat` is where the person is."""
        self._at_work = at_work
        self._seat = seat
        self._numbers: dict[int, tuple[int, Question]] = {}
        self._withdrawn: list[_Gone] = []
        self._count = count(1)
        self._last: Supervisor | None = None
        """The one that was at work when questions were last looked at."""

    @property
    def supervisor(self) -> Supervisor:
        """The one at work."""
        return self._at_work()

    # ------------------------------------------------------------ orders
    def order(self, node: str, act: str, **fields: Any) -> str | None:
        """Order one act. Ids, boots, deadlines, counts and readings are found here.

        transfer: to, to_slot, and from, from_slot or nothing for the spreader; box if it is not known. admit: train.
        run: to. jog: target, one figure an axis. reset-fault: found, place. cancel: nothing.
        """
        return done(self._order(node, act, fields))

    def _order(self, node: str, act: str, fields: Mapping[str, Any]) -> Prepared:
        check = OrderCheck(self.supervisor)
        if not self.supervisor.linked:
            return AWAY
        if act != "reset-fault" or check.unknown(node, act):
            return check.order(node, act, fields)
        question = self._fault_of(node)
        if question is None:
            return f"{node} has no fault that waits for a person"
        return Ready(f"{node}: {question.text} This answers it", lambda: self._settle(question, fields))

    def _fault_of(self, node: str) -> Question | None:
        return next(
            (one for one in self.supervisor.questions if one.node == node and one.about in SETTLED), None
        )

    def _settle(self, question: Question, fields: Mapping[str, Any]) -> str | None:
        found: list[str] = []
        if question.about is Ask.SHUTTLE:
            found = [str(fields.get("place", ""))]
        elif question.about is Ask.SPREADER:
            if fields.get("found") != "none":
                return f"answer the question instead: {question.text}"
            found = [EMPTY]
        return self._answered(question, found)

    # ------------------------------------------------------------ a second look
    def review(self, ask: str, *given: Any, **fields: Any) -> Review:
        """What would come of one of the calls below, by the same checks, without doing it.

        `ask` is its name: order, want, want_train, drop, reorder, tell, answer; the rest is as for the call itself.
        """
        checks: dict[str, Callable[..., Prepared]] = {
            "order": lambda node, act, **found: self._order(node, act, found), "want": self._want,
            "want_train": self._want_train, "drop": self._drop, "reorder": self._reorder, "tell": self._tell,
            "answer": self._answer,
        }  # fmt: skip
        return reviewed(checks[ask](*given, **fields))

    # ------------------------------------------------------------ goals
    def goals(self) -> list[ListedGoal]:
        """What is still to be met, in order, each with its number and what blocks it."""
        return self.supervisor.goal_list.listed(self.supervisor.goals)

    def want(self, box: str, place: str, slot: int) -> str | None:
        """Plan for a box to stand somewhere, behind everything that is wanted already."""
        return done(self._want(box, place, slot))

    def want_train(self, berth: str, train: str, takes: Takes) -> str | None:
        """Plan for a train to come, to be loaded (slot and box) and to leave again."""
        return done(self._want_train(berth, train, takes))

    def drop(self, number: int) -> str | None:
        """Give a goal up; jobs under way come to their end."""
        return done(self._drop(number))

    def reorder(self, number: int, position: int) -> str | None:
        """Put a goal at another position of the list, counted from 1."""
        return done(self._reorder(number, position))

    def _want(self, box: str, place: str, slot: int) -> Prepared:
        if not self.supervisor.linked:
            return AWAY
        return GoalCheck(self.supervisor).box(box, place, slot)

    def _want_train(self, berth: str, train: str, takes: Takes) -> Prepared:
        if not self.supervisor.linked:
            return AWAY
        pairs = list(takes.items()) if isinstance(takes, Mapping) else list(takes)
        return GoalCheck(self.supervisor).train(berth, train, pairs)

    def _drop(self, number: int) -> Prepared:
        return GoalCheck(self.supervisor).drop(number)

    def _reorder(self, number: int, position: int) -> Prepared:
        return GoalCheck(self.supervisor).reorder(number, position)

    # ------------------------------------------------------------ holds
    def hold(self, node: str) -> str | None:
        """Hold one node, or 'all': an operational stop, never an emergency stop."""
        if node == EVERY:
            for name in self.supervisor.sessions:
                self.supervisor.hold(name, self._seat)
        elif node in self.supervisor.sessions:
            self.supervisor.hold(node, self._seat)
        else:
            return f"there is no node {node!r}"
        return None

    def held(self) -> list[Held]:
        """Every node that is held or is to be held: by whom, since when, and how far it has come."""
        return self.supervisor.holds.held(self.supervisor.now_ms)

    def resume(self, *nodes: str) -> str | None:
        """Let these nodes, each by its name, go on after a hold; a person's word also lifts somebody else's.

        Nothing is resumed where any of them cannot be.
        """
        supervisor = self.supervisor
        if not supervisor.linked:
            return AWAY
        held = ", ".join(one.node for one in self.held())
        told = f"held: {held}" if held else "nothing is held"
        if not nodes:
            return f"name what may go on; {told}"
        for name in nodes:
            if name not in supervisor.sessions:
                return f"there is no node {name!r}; {told}"
            why = supervisor.holds.why_no_resume(name, supervisor.now_ms)
            if why:
                return f"{why}; {told}"
        for name in dict.fromkeys(nodes):
            supervisor.release(name)
        return None

    def go_on(self) -> str | None:
        """What was open when the bus fell may go on."""
        gaps = [one for one in self.supervisor.questions if one.about is Ask.GAP]
        if not self.supervisor.linked:
            return AWAY
        return self._answered(gaps[0], []) if gaps else "nothing waits for that"

    # ------------------------------------------------------------ words and answers
    def tell(self, place: str, slot: int, box: str | None) -> str | None:
        """A person says what stands in a slot; None for nothing. Not while anything works there."""
        return done(self._tell(place, slot, box))

    def _tell(self, place: str, slot: int, box: str | None) -> Prepared:
        if not self.supervisor.linked:
            return AWAY
        return observation_check.slot(self.supervisor, place, slot, box)

    def questions(self) -> list[NumberedQuestion]:
        """What only a person can answer now."""
        self._number()
        return [
            NumberedQuestion(number, question.text, self._choices(question), question.key.where)
            for number, question in sorted(self._numbers.values(), key=lambda pair: pair[0])
        ]

    def withdrawn(self) -> list[WithdrawnQuestion]:
        """What was asked and may not be answered any more, the newest last."""
        self._number()
        now_ms = self.supervisor.now_ms
        return [
            WithdrawnQuestion(
                one.number,
                one.gone.question.asks,
                one.gone.question.key.where,
                one.gone.why,
                one.gone.caution,
                max(0, now_ms - one.gone.at_ms),
            )
            for one in self._withdrawn
        ]

    def answer(self, number: int, choice: str) -> str | None:
        """A person's answer: one of the choices; else words, one a slot, '-' for nothing."""
        return done(self._answer(number, choice))

    def _answer(self, number: int, choice: str) -> Prepared:
        self._number()
        question = next((one for known, one in self._numbers.values() if known == number), None)
        if question is None:
            gone = next((one for one in self.withdrawn() if one.number == number), None)
            return f"WITHDRAWN, do not answer: {gone.why}" if gone else f"question {number} is not open"
        if not self.supervisor.linked:
            return AWAY
        words = choice.replace(",", " ").split()
        found = [EMPTY if word == NOTHING else word for word in words]
        if question.about in _YES:
            wanted, found = _YES[question.about], []
            if choice.strip() not in (wanted, "yes"):
                return f"say {wanted!r} once it is so"
        why = self._unlikely(question, found)
        told = " ".join(in_words(word) for word in found) or choice.strip()
        return why or Ready(f"{question.text} {told}", lambda: self._answered(question, found))

    def _unlikely(self, question: Question, found: list[str]) -> str:
        """Why that cannot be what was found, '' where it can."""
        if question.about is Ask.SHUTTLE:
            return (
                ""
                if found and found[0] in question.choices
                else f"answer one of {', '.join(question.choices)}"
            )
        wrong = next((why for word in found if word and (why := not_a_label(word, "box"))), "")
        if wrong or question.about is not Ask.SLOTS:
            return wrong
        return observation_check.slots(self.supervisor, question.place, found)

    def _answered(self, question: Question, found: list[str]) -> str | None:
        try:
            question.answer(*found)
        except ValueError as error:
            return str(error)
        self.supervisor.note(
            f"answered: {question.text} {' '.join(in_words(word) for word in found)}".rstrip()
        )
        return None

    def events(self) -> list[str]:
        """What the supervisor decided, newest last."""
        return [entry.text for entry in self.supervisor.journal.entries]

    def _number(self) -> None:
        supervisor = self.supervisor
        open_now = {id(question): question for question in supervisor.questions}
        withdrawn = {id(one.question): one for one in supervisor.open_questions.withdrawn}
        for key, (number, question) in list(self._numbers.items()):
            if open_now.get(key) is question:
                continue
            del self._numbers[key]
            if key in withdrawn:
                self._withdrawn.append(_Gone(number, withdrawn[key], supervisor))
            elif self._last is not None and supervisor is not self._last and question.is_open:
                late = Withdrawn(question, ANOTHER_START, supervisor.now_ms)
                self._withdrawn.append(_Gone(number, late, self._last))
        self._last = supervisor
        again = {one.key for one in open_now.values()}
        self._withdrawn = [
            one
            for one in self._withdrawn
            if one.gone.question.key not in again
            and (one.by is not supervisor or id(one.gone.question) in withdrawn)
        ]
        for key, question in open_now.items():
            if key not in self._numbers:
                self._numbers[key] = (next(self._count), question)

    def _choices(self, question: Question) -> tuple[str, ...]:
        return (_YES[question.about],) if question.about in _YES else question.choices
