"""A person at the supervisor's side: orders, holds, words and answers, each by every rule of the protocol.

All methods are called on the thread that owns the supervisor. Whatever asks for something gives None if it is
taken, else why it is not, in words.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from itertools import count
from typing import Any

from protocol.specification import specification
from reference_node.supervisor.cycle import Step, Wait, carry
from reference_node.supervisor.gap import AWAY, GO_ON
from reference_node.supervisor.holds import Held
from reference_node.supervisor.planning.wish import Visit, Wish
from reference_node.supervisor.question import Ask, Question
from reference_node.supervisor.supervisor import Supervisor
from reference_node.supervisor.world import EMPTY, UNSURE, Spot

NOTHING = "-"
"""How a person writes that there is nothing."""
EVERY = "all"
_YES = {Ask.TRACK: "it is empty", Ask.FAULT: "mended", Ask.HELD: "go on", Ask.GAP: GO_ON}
SETTLED = (Ask.FAULT, Ask.TRACK, Ask.SHUTTLE, Ask.SPREADER)
"""Questions whose answer resets a fault."""


@dataclass(frozen=True, slots=True)
class NumberedQuestion:
    """One open question. Without choices the answer is free text."""

    number: int
    """Its name: never given to another question."""
    text: str
    choices: tuple[str, ...] = ()


class ByHand:
    """What a person may ask of one supervisor, for a prompt or a page."""

    def __init__(self, at_work: Callable[[], Supervisor], seat: str = "a person") -> None:
        """`at_work` gives the supervisor that is at work: a restart brings another. `seat` is where the person is."""
        self._at_work = at_work
        self._seat = seat
        self._numbers: dict[int, tuple[int, Question]] = {}
        self._count = count(1)

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
        supervisor = self.supervisor
        if not supervisor.linked:
            return AWAY
        if node not in supervisor.sessions:
            return f"there is no node {node!r}; nodes are: {', '.join(supervisor.sessions)}"
        roles = supervisor.site.nodes[node].roles
        if not any(act in specification().acts_of(role) for role in roles):
            return f"{node} is a {' and '.join(roles)} and does not know {act!r}"
        if act == "cancel":
            return self._cancel(node)
        if act == "reset-fault":
            return self._settle(node, fields)
        if act == "transfer":
            return self._transfer(node, fields)
        if act not in specification().jobs:
            return f"{act} is the supervisor's own affair"
        return supervisor.start(Step(node, act, fields)) or None

    def _transfer(self, crane: str, fields: Mapping[str, Any]) -> str | None:
        supervisor, world = self.supervisor, self.supervisor.world
        target = Spot(str(fields.get("to")), int(fields.get("to_slot", 0)))
        source = Spot(str(fields["from"]), int(fields.get("from_slot", 0))) if "from" in fields else None
        for spot in (target, source):
            why = self._no_spot(crane, spot) if spot is not None else None
            if why:
                return why
        held = world.at(source) if source is not None else world.spreaders[crane]
        box = str(fields.get("box") or held)
        if box in (EMPTY, UNSURE) or held != box:
            where = f"{source.place} slot {source.slot}" if source is not None else f"the spreader of {crane}"
            return f"{where} holds {_in_words(held)}" + (f", not {box}" if box not in (EMPTY, UNSURE) else "")
        if source is not None and not world.can_pick(source):
            return f"box {box} has another on top, or nobody knows"
        step = carry(box, crane, source, target, supervisor)
        if isinstance(step, Wait):
            return step.why
        if step.act == "run":
            return f"{step.node} has to run to {step.fields['to']} first"
        return supervisor.start(step) or None

    def _no_spot(self, crane: str, spot: Spot) -> str | None:
        site = self.supervisor.site
        found = site.nodes[crane].crane
        if found is None or spot.place not in found.places:
            reached = ", ".join(found.places) if found is not None else "nothing"
            return f"{crane} does not reach {spot.place!r}; it reaches {reached}"
        if not 0 <= spot.slot < site.places[spot.place].slots:
            return f"{spot.place} has slots 0 to {site.places[spot.place].slots - 1}, not {spot.slot}"
        return None

    def _cancel(self, node: str) -> str | None:
        if self.supervisor.sessions[node].job is None:
            return f"{node} has no job open"
        self.supervisor.cancel(node)
        return None

    def _settle(self, node: str, fields: Mapping[str, Any]) -> str | None:
        question = next(
            (one for one in self.supervisor.questions if one.node == node and one.about in SETTLED), None
        )
        if question is None:
            return f"{node} has no fault that waits for a person"
        found: list[str] = []
        if question.about is Ask.SHUTTLE:
            found = [str(fields.get("place", ""))]
        elif question.about is Ask.SPREADER:
            if fields.get("found") != "none":
                return f"answer the question instead: {question.text}"
            found = [EMPTY]
        return self._answered(question, found)

    # ------------------------------------------------------------ goals
    def want(self, box: str, place: str, slot: int) -> str | None:
        """Plan for a box to stand somewhere, behind everything that is wanted already."""
        site = self.supervisor.site
        if not self.supervisor.linked:
            return AWAY
        if place not in site.places or not 0 <= slot < site.places[place].slots:
            return f"there is no {place} slot {slot}"
        self.supervisor.add(Wish({box: Spot(place, slot)}))
        return None

    def want_train(self, berth: str, train: str, takes: Mapping[int, str]) -> str | None:
        """Plan for a train to come, to be loaded and to leave again."""
        if not self.supervisor.linked:
            return AWAY
        if berth not in [node.name for node in self.supervisor.site.with_role("berth")]:
            return f"there is no berth {berth!r}"
        try:
            self.supervisor.add(Wish(visits=(Visit(train, berth, (), dict(takes)),)))
        except ValueError as error:
            return str(error)
        return None

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
        supervisor = self.supervisor
        if not supervisor.linked:
            return AWAY
        known = supervisor.site.places.get(place)
        if known is None or not 0 <= slot < known.slots:
            return f"there is no {place} slot {slot}; places are: {', '.join(supervisor.site.places)}"
        if not supervisor.was_owned:
            return "not all nodes are there yet"
        if not supervisor.rules.clear_for_a_person(known.node, place):
            return f"something works at {place}; say it when it has come to its end"
        supervisor.world.tell_slot(Spot(place, slot), box or EMPTY)
        supervisor.note(f"told: {place} slot {slot} holds {_in_words(box or EMPTY)}")
        return None

    def questions(self) -> list[NumberedQuestion]:
        """What only a person can answer now."""
        self._number()
        return [
            NumberedQuestion(number, question.text, self._choices(question))
            for number, question in sorted(self._numbers.values(), key=lambda pair: pair[0])
        ]

    def answer(self, number: int, choice: str) -> str | None:
        """A person's answer: one of the choices; else words, one a slot, '-' for nothing."""
        self._number()
        question = next((one for known, one in self._numbers.values() if known == number), None)
        if question is None:
            return f"question {number} is not open"
        if question.about in _YES:
            wanted = _YES[question.about]
            if choice.strip() not in (wanted, "yes"):
                return f"say {wanted!r} once it is so"
            return self._answered(question, [])
        words = choice.replace(",", " ").split()
        return self._answered(question, [EMPTY if word == NOTHING else word for word in words])

    def _answered(self, question: Question, found: list[str]) -> str | None:
        labels = [word for word in found if word and question.about is not Ask.SHUTTLE]
        wrong = [
            word
            for word in labels
            if len(word) > 12 or not word.replace("-", "").isalnum() or not word.isascii()
        ]
        if wrong:
            return f"{wrong[0]!r} is no box's label: 1 to 12 characters A-Z a-z 0-9 '-'"
        try:
            question.answer(*found)
        except ValueError as error:
            return str(error)
        self.supervisor.note(
            f"answered: {question.text} {' '.join(_in_words(word) for word in found)}".rstrip()
        )
        return None

    def events(self) -> list[str]:
        """What the supervisor decided, newest last."""
        return [entry.text for entry in self.supervisor.journal.entries]

    def _number(self) -> None:
        open_now = {id(question): question for question in self.supervisor.questions}
        self._numbers = {key: pair for key, pair in self._numbers.items() if open_now.get(key) is pair[1]}
        for key, question in open_now.items():
            if key not in self._numbers:
                self._numbers[key] = (next(self._count), question)

    def _choices(self, question: Question) -> tuple[str, ...]:
        return (_YES[question.about],) if question.about in _YES else question.choices


def _in_words(held: str) -> str:
    return {EMPTY: "nothing", UNSURE: "nobody knows what"}.get(held, held)
