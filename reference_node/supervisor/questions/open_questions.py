"""Which questions to a person are open."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import NamedTuple

from protocol.site import PlaceKind
from reference_node.supervisor.check.rules import Rules
from reference_node.supervisor.observe.boxes import UNSURE
from reference_node.supervisor.observe.gap import AWAY
from reference_node.supervisor.observe.yard_state import AskedOf, NodeState, YardState
from reference_node.supervisor.questions.answers import Answers
from reference_node.supervisor.questions.question import Ask, Question
from reference_node.supervisor.send.holds import Holds


class Topic(NamedTuple):
    """What one question would be about."""

    about: Ask
    node: str
    place: str = ""


class OpenQuestions:
    """Raises and withdraws questions, by one picture of the yard at a time."""

    def __init__(
        self,
        look: Callable[[], YardState],
        rules: Callable[[YardState], Rules],
        holds: Holds,
        answers: Answers,
        on_question: Callable[[Question], None] | None,
    ) -> None:
        """`look` gives a picture of the yard as it is now, `rules` the rules over one."""
        self.questions: list[Question] = []
        self._look, self._rules, self._holds, self._answers = look, rules, holds, answers
        self._on_question = on_question

    def listen(self, on_question: Callable[[Question], None] | None) -> None:
        """Call `on_question` with every new question from now on; None leaves them waiting."""
        self._on_question = on_question

    def asked(self) -> tuple[AskedOf, ...]:
        """What is asked, for the picture of the yard: where a person looks a hand may be."""
        return tuple(AskedOf(one.node, one.place, one.text) for one in self.questions)

    def bus_fell(self) -> None:
        """Whether work may go on is asked once the bus is back, and about all of the time without it."""
        self.questions[:] = [one for one in self.questions if one.about is not Ask.GAP]

    def refresh(self) -> None:
        """Withdraw what is settled, raise what only a person can settle and may go and look at now."""
        state = self._look()
        wanted = list(dict.fromkeys(self._wanted(state)))
        for question in list(self.questions):
            topic = Topic(question.about, question.node, question.place)
            if topic not in wanted and self._may_look(topic, state):
                self.questions.remove(question)
        asked = {Topic(question.about, question.node, question.place) for question in self.questions}
        for topic in wanted:
            if topic not in asked and self._may_look(topic, state):
                self._raise(topic, state)
                state = (
                    self._look()
                )  # It may have been answered at once, and the answer may have ordered something.

    def _may_look(self, topic: Topic, state: YardState) -> bool:
        """Nobody is sent to where a job may be open; while a hold stands all stand still anyway [SUP-19]."""
        if topic.about in (Ask.HELD, Ask.GAP):
            return True
        node = state.nodes.get(topic.node)
        quiet = node is None or not node.open_acts
        return quiet and self._rules(state).clear_for_a_person(topic.node, topic.place)

    def _wanted(self, state: YardState) -> Iterator[Topic]:
        if state.gap is not None:
            yield Topic(Ask.GAP, "")
        for node in state.nodes.values():
            if node.owned:
                yield from _of_node(node, state)
        for place in state.site.places.values():
            if not state.boxes.is_sure(place.name) and _stands_still(place.name, state):
                yield Topic(Ask.SLOTS, place.node, place.name)

    # ------------------------------------------------------------ raising
    def _raise(self, topic: Topic, state: YardState) -> None:
        text, choices = self._text(topic, state)
        question = Question(topic.about, topic.node, topic.place, text, choices, self._settle)
        self.questions.append(question)
        if self._on_question is not None:
            self._on_question(question)

    def _settle(self, question: Question, found: tuple[str, ...]) -> None:
        if question not in self.questions:
            raise ValueError(f"this question was settled without an answer: {question.text}")
        if not self._holds.linked:
            raise ValueError(AWAY)
        self._answers.take(question.about, question.node, question.place, found)
        self.questions.remove(question)

    def _text(self, topic: Topic, state: YardState) -> tuple[str, tuple[str, ...]]:
        node, place = topic.node, topic.place
        match topic.about:
            case Ask.TRACK:
                return f"Is track {place} empty? Take off what stands on it, then say so.", ()
            case Ask.SHUTTLE:
                shuttle = state.site.nodes[node].shuttle
                stops = shuttle.stops if shuttle else ()
                return (
                    f"At which place does shuttle {node} stand? Push it to one if it stands between.",
                    stops,
                )
            case Ask.SPREADER:
                return f"Which box hangs in the spreader of crane {node}? '-' for none.", ()
            case Ask.SLOTS:
                count = state.site.places[place].slots
                slots = "slot" if count == 1 else f"{count} slots"
                return f"What stands in the {slots} of {place}, slot 0 first? '-' for nothing.", ()
            case Ask.FAULT:
                active = ", ".join(state.nodes[node].active_faults)
                return f"{node} has stopped: {active or 'no fault named'}. Mended?", ()
            case Ask.HELD:
                return f"{self._holds.why_held(node)}. May it go on?", ()
            case Ask.GAP:
                return state.gap.text() if state.gap is not None else "", ()


def _of_node(node: NodeState, state: YardState) -> Iterator[Topic]:
    crane, berth = node.words.get("crane-status"), node.words.get("train-arrival")
    shuttle = node.words.get("shuttle-status")
    if node.held and node.name not in state.own_holds and "resume" not in node.open_acts:
        yield Topic(Ask.HELD, node.name)
    if "fault" not in node.words:
        return  # an answer could not name the fault count [FLT-04]
    if berth is not None and berth["state"] == "lost":
        yield Topic(Ask.TRACK, node.name, _place_of(node.name, state))
    if shuttle is not None and shuttle["state"] == "lost":
        yield Topic(Ask.SHUTTLE, node.name, _place_of(node.name, state))
    if crane is not None and node.idle:
        if crane["load"] == "unsure" or state.boxes.spreaders[node.name] == UNSURE:
            yield Topic(Ask.SPREADER, node.name)
        elif crane["mode"] == "faulted":
            yield Topic(Ask.FAULT, node.name)


def _stands_still(place: str, state: YardState) -> bool:
    """Whether there is something to look at: a stack, a train at rest, a deck that stands."""
    site_place = state.site.places[place]
    if site_place.kind == PlaceKind.STACK:
        return True
    message = "train-arrival" if site_place.kind == PlaceKind.TRACK else "shuttle-status"
    word = state.word(site_place.node, message)
    return word is not None and word["state"] in ("at-rest", "at-place")


def _place_of(node: str, state: YardState) -> str:
    place = state.site.place_of(node)
    return place.name if place else ""
