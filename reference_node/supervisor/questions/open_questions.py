"""Which questions to a person are open, and what an answer does."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import NamedTuple, Protocol

from protocol.site import PlaceKind, Site
from reference_node.supervisor.check.rules import Rules
from reference_node.supervisor.observe.gap import AWAY
from reference_node.supervisor.observe.inventory import EMPTY, UNSURE, Inventory
from reference_node.supervisor.observe.session import Session, is_held
from reference_node.supervisor.questions.question import Ask, Question
from reference_node.supervisor.send.holds import Holds
from reference_node.supervisor.send.outage import Outage


class Topic(NamedTuple):
    """What one question would be about."""

    about: Ask
    node: str
    place: str = ""


class Office(Protocol):
    """What questions and answers are about."""

    site: Site
    sessions: dict[str, Session]
    inventory: Inventory
    rules: Rules
    questions: list[Question]
    holds: Holds
    outage: Outage
    now_ms: int

    @property
    def linked(self) -> bool:
        """Whether the bus is there."""

    def release(self, node: str) -> str:
        """Resume `node`; else why that cannot be."""


class OpenQuestions:
    """Raises and withdraws questions, and turns answers into orders and knowledge."""

    def __init__(self, office: Office, on_question: Callable[[Question], None] | None) -> None:
        self._office = office
        self._on_question = on_question

    def listen(self, on_question: Callable[[Question], None] | None) -> None:
        """Call `on_question` with every new question from now on; None leaves them waiting."""
        self._on_question = on_question

    def refresh(self) -> None:
        """Withdraw what is settled, raise what only a person can settle and may go and look at now."""
        wanted = list(dict.fromkeys(self._wanted()))
        for question in list(self._office.questions):
            topic = Topic(question.about, question.node, question.place)
            if topic not in wanted and self._may_look(topic):
                self._office.questions.remove(question)
        asked = {Topic(question.about, question.node, question.place) for question in self._office.questions}
        for topic in wanted:
            if topic not in asked and self._may_look(topic):
                self._raise(topic)

    def _may_look(self, topic: Topic) -> bool:
        """Nobody is sent to where a job may be open; while a hold stands all stand still anyway [SUP-19]."""
        if topic.about in (Ask.HELD, Ask.GAP):
            return True
        session = self._office.sessions.get(topic.node)
        quiet = session is None or not session.open
        return quiet and self._office.rules.clear_for_a_person(topic.node, topic.place)

    def _wanted(self) -> Iterator[Topic]:
        office = self._office
        if office.outage.gap is not None:
            yield Topic(Ask.GAP, "")
        for name, session in office.sessions.items():
            if session.owned:
                yield from self._of_node(name, session)
        for place in office.site.places.values():
            if not office.inventory.is_sure(place.name) and self._stands_still(place.name):
                yield Topic(Ask.SLOTS, place.node, place.name)

    def _of_node(self, name: str, session: Session) -> Iterator[Topic]:
        crane, berth = session.word("crane-status"), session.word("train-arrival")
        shuttle = session.word("shuttle-status")
        lifting = any(sent.act == "resume" for sent in session.open.values())
        if is_held(session) and name not in self._office.holds and not lifting:
            yield Topic(Ask.HELD, name)
        if session.word("fault") is None:
            return  # an answer could not name the fault count [FLT-04]
        if berth is not None and berth["state"] == "lost":
            yield Topic(Ask.TRACK, name, self._place_of(name))
        if shuttle is not None and shuttle["state"] == "lost":
            yield Topic(Ask.SHUTTLE, name, self._place_of(name))
        if crane is not None and session.idle():
            if crane["load"] == "unsure" or self._office.inventory.spreaders[name] == UNSURE:
                yield Topic(Ask.SPREADER, name)
            elif crane["mode"] == "faulted":
                yield Topic(Ask.FAULT, name)

    def _stands_still(self, place: str) -> bool:
        """Whether there is something to look at: a stack, a train at rest, a deck that stands."""
        site_place = self._office.site.places[place]
        if site_place.kind == PlaceKind.STACK:
            return True
        session = self._office.sessions[site_place.node]
        word = session.word("train-arrival" if site_place.kind == PlaceKind.TRACK else "shuttle-status")
        return word is not None and word["state"] in ("at-rest", "at-place")

    def _place_of(self, node: str) -> str:
        place = self._office.site.place_of(node)
        return place.name if place else ""

    # ------------------------------------------------------------ raising
    def _raise(self, topic: Topic) -> None:
        text, choices = self._text(topic)
        take = {
            Ask.TRACK: self._track, Ask.SHUTTLE: self._shuttle, Ask.SPREADER: self._spreader,
            Ask.SLOTS: self._slots, Ask.FAULT: self._fault, Ask.HELD: self._held, Ask.GAP: self._gap,
        }[topic.about]  # fmt: skip

        def settle(found: tuple[str, ...]) -> None:
            if question not in self._office.questions:
                raise ValueError(f"this question was settled without an answer: {text}")
            if not self._office.linked:
                raise ValueError(AWAY)
            take(topic, found)
            self._office.questions.remove(question)

        question = Question(topic.about, topic.node, topic.place, text, choices, settle)
        self._office.questions.append(question)
        if self._on_question is not None:
            self._on_question(question)

    def _text(self, topic: Topic) -> tuple[str, tuple[str, ...]]:
        node, place = topic.node, topic.place
        match topic.about:
            case Ask.TRACK:
                return f"Is track {place} empty? Take off what stands on it, then say so.", ()
            case Ask.SHUTTLE:
                shuttle = self._office.site.nodes[node].shuttle
                stops = shuttle.stops if shuttle else ()
                return (
                    f"At which place does shuttle {node} stand? Push it to one if it stands between.",
                    stops,
                )
            case Ask.SPREADER:
                return f"Which box hangs in the spreader of crane {node}? '-' for none.", ()
            case Ask.SLOTS:
                count = self._office.site.places[place].slots
                slots = "slot" if count == 1 else f"{count} slots"
                return f"What stands in the {slots} of {place}, slot 0 first? '-' for nothing.", ()
            case Ask.FAULT:
                active = ", ".join(self._office.sessions[node].words.get("fault", {}).get("active", ()))
                return f"{node} has stopped: {active or 'no fault named'}. Mended?", ()
            case Ask.HELD:
                return f"{self._office.holds.why_held(node)}. May it go on?", ()
            case Ask.GAP:
                gap = self._office.outage.gap
                return gap.text() if gap is not None else "", ()

    # ------------------------------------------------------------ answers
    def _track(self, topic: Topic, found: tuple[str, ...]) -> None:
        _expect(found, 0, "a track that has been found empty is answered without words")
        self._reset_fault(topic.node, found="none")
        self._office.inventory.clear_track(topic.place)

    def _shuttle(self, topic: Topic, found: tuple[str, ...]) -> None:
        _expect(found, 1, "a shuttle stands at one place")
        _, stops = self._text(topic)
        if found[0] not in stops:
            raise ValueError(f"{topic.node} serves {', '.join(stops)}, not {found[0]!r}")
        self._reset_fault(topic.node, place=found[0])

    def _spreader(self, topic: Topic, found: tuple[str, ...]) -> None:
        _expect(found, 1, "a spreader holds one box, or '-' for nothing")
        crane = self._office.sessions[topic.node].word("crane-status")
        if crane is not None and (crane["load"] == "unsure" or crane["mode"] == "faulted"):
            self._reset_fault(topic.node, found="box" if found[0] else "none")
        self._office.inventory.tell_spreader(topic.node, found[0])

    def _slots(self, topic: Topic, found: tuple[str, ...]) -> None:
        self._office.inventory.tell(topic.place, found)

    def _fault(self, topic: Topic, found: tuple[str, ...]) -> None:
        _expect(found, 0, "a fault that is mended is answered without words")
        self._reset_fault(topic.node)

    def _held(self, topic: Topic, found: tuple[str, ...]) -> None:
        _expect(found, 0, "work that may go on is answered without words")
        why = self._office.release(topic.node)
        if why:
            raise ValueError(why)

    def _gap(self, topic: Topic, found: tuple[str, ...]) -> None:
        _expect(found, 0, "work that may go on is answered without words")
        self._office.outage.go_on()

    def _reset_fault(self, node: str, **fields: str) -> None:
        session = self._session(node)
        fault = session.word("fault")
        if fault is None:
            raise ValueError(f"{node} has not told its fault count yet; answer again in a moment")
        session.order("reset-fault", self._office.now_ms, faults=fault["faults"], **fields)

    def _session(self, node: str) -> Session:
        session = self._office.sessions[node]
        if not session.owned:
            raise ValueError(f"{node} is not there now; answer again when it is")
        return session


def sync(inventory: Inventory, session: Session) -> None:
    """Take over what the sensors of an idle node tell: an empty or lost track, what the spreader holds."""
    if not session.idle():
        return
    berth, crane = session.word("train-arrival"), session.word("crane-status")
    place = inventory.site.place_of(session.name)
    if berth is not None and place is not None and berth["state"] == "empty":
        inventory.clear_track(place.name)
    elif berth is not None and place is not None and berth["state"] == "lost":
        inventory.doubt_place(place.name)
    if crane is None:
        return
    held = inventory.spreaders[session.name]
    if crane["load"] == "none" and held != EMPTY:
        if held != UNSURE:
            inventory.conflicts.append(
                f"box {held} hung in the spreader of {session.name}, which says it holds none"
            )
            inventory.doubt(session.name)  # a box is gone: somebody took it, or put it anywhere within reach
        inventory.tell_spreader(session.name, EMPTY)
    elif crane["load"] == "box" and held == EMPTY:
        inventory.conflicts.append(
            f"{session.name} says that a box hangs in its spreader; nobody put one there"
        )
        inventory.tell_spreader(session.name, UNSURE)


def _expect(found: tuple[str, ...], count: int, what: str) -> None:
    if len(found) != count:
        raise ValueError(f"{what}; got {found!r}")
