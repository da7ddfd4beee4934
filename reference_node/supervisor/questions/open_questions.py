"""Which questions to a person are open."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from protocol.site import PlaceKind
from reference_node.supervisor.check.rules import Rules
from reference_node.supervisor.observe.boxes import UNSURE
from reference_node.supervisor.observe.gap import AWAY
from reference_node.supervisor.observe.yard_state import AskedOf, NodeState, YardState
from reference_node.supervisor.questions.answers import Answers
from reference_node.supervisor.questions.question import Ask, Question, QuestionKey, Withdrawn
from reference_node.supervisor.send.holds import Holds


class OpenQuestions:
    """Raises and withdraws questions, by one picture of the yard at a time.

    Nobody is sent to a machine before every node that reaches there has said that it is held [SUP-25].
    """

    def __init__(
        self,
        look: Callable[[], YardState],
        rules: Callable[[YardState], Rules],
        holds: Holds,
        answers: Answers,
        on_question: Callable[[Question], None] | None,
        note: Callable[[str], None],
    ) -> None:
        """`look` gives a picture of the yard as it is now, `rules` the rules over one; `note` writes down."""
        self.questions: list[Question] = []
        self.withdrawn: list[Withdrawn] = []
        """Questions that were withdrawn and are not asked again, newest last: one a key at most."""
        self._unaccounted: set[QuestionKey] = set()
        """Where somebody was sent and the question was withdrawn: nobody has said that he is back."""
        self._note = note
        self._look, self._rules, self._holds, self._answers = look, rules, holds, answers
        self._on_question = on_question

    def listen(self, on_question: Callable[[Question], None] | None) -> None:
        """Call `on_question` with every new question from now on; None leaves them waiting."""
        self._on_question = on_question

    def asked(self) -> tuple[AskedOf, ...]:
        """What is asked, for the picture of the yard: where a person looks a hand may be."""
        return tuple(AskedOf(one.node, one.place, one.asks) for one in self.questions)

    def bus_fell(self) -> None:
        """Whether work may go on is asked once the bus is back, and about all of the time without it."""
        self.questions[:] = [one for one in self.questions if one.about is not Ask.GAP]

    def refresh(self) -> None:
        """Withdraw what is settled, raise what only a person can settle and may go and look at now."""
        state = self._look()
        wanted = list(dict.fromkeys(self._wanted(state)))
        if self._hold_around(wanted, state):
            state = self._look()  # What this supervisor holds is no other's hold, about which to ask.
            wanted = list(dict.fromkeys(self._wanted(state)))
        for question in list(self.questions):
            why = self._why_not_any_more(question, wanted, state)
            if why:
                self._withdraw(question, why, state.now_ms)
        asked = {question.key for question in self.questions}
        for key in wanted:
            if key not in asked and self._may_look(key, state):
                self._raise(key, state)
                # It may have been answered at once, and the answer have ordered something.
                state = self._look()
        self._keep_held(wanted, state)

    def withdraw_all(self, why: str) -> None:
        """Nobody is to be sent anywhere by this supervisor any more; what is held for them stays held [SUP-26]."""
        for question in list(self.questions):
            self._withdraw(question, why, self._look().now_ms)
        self._holds.kept = {}  # There is no question left to be answered first: a person's word lifts a hold.

    def _withdraw(self, question: Question, why: str, now_ms: int) -> None:
        self.questions.remove(question)
        self.withdrawn.append(Withdrawn(question, why, now_ms))
        if question.key.sends_a_person:
            self._unaccounted.add(question.key)
        self._note(f"WITHDRAWN, do not answer: {question.asks} {why[:1].upper()}{why[1:]}")

    def _why_not_any_more(self, question: Question, wanted: list[QuestionKey], state: YardState) -> str:
        """Why a question is not open any more, '' where it is. A node that is in doubt is waited for."""
        key, rules = question.key, self._rules(state)
        for name in sorted(self._near(key, state)):
            if state.nodes[name].boot != question.boots[name]:
                return f"{name} has restarted since it was asked; what was seen there may not be so any more."
        if key.sends_a_person:
            for what, names in (
                ("is at work", rules.at_work(key.node, key.place)),
                ("is not held any more", rules.let_go(key.node, key.place)),
            ):
                known = [name for name in names if state.nodes[name].has_reported]
                if known:
                    return f"{known[0]} {what}."
        settled = key not in wanted and self._may_look(key, state)
        return "it has settled without an answer." if settled else ""

    # ------------------------------------------------------------ a person at a machine
    def _near(self, key: QuestionKey, state: YardState) -> frozenset[str]:
        """The nodes that have to be held for a person there."""
        return self._rules(state).reaching(key.node, key.place) if key.sends_a_person else frozenset()

    def _hold_around(self, wanted: list[QuestionKey], state: YardState) -> bool:
        """Hold what reaches the places of what is wanted, where all is at rest; True where that is a hold more."""
        before = len(self._holds)
        for key in wanted:
            if not self._at_rest(key, state):
                continue
            for name in sorted(self._near(key, state)):
                if self._holds.ask_for_a_person(name, key.where, state.now_ms):
                    self._note(f"{name}: hold, for a person at {key.where}")
        return len(self._holds) > before

    def _keep_held(self, wanted: list[QuestionKey], state: YardState) -> None:
        """What is held stays so while somebody may be there; then it goes on, with leave to go on at all.

        Somebody whose question was withdrawn may be there still: what is held for him goes on by a person's word alone,
        a resume or the answer to a question about the same place.
        """
        asked = [question.key for question in self.questions]
        self._unaccounted = {one for one in self._unaccounted if set(self._holds) & self._near(one, state)}
        self._holds.kept = {name: key.where for key in asked for name in self._near(key, state)}
        coming = [key for key in wanted if self._at_rest(key, state)]
        needed = {name for key in (*asked, *coming, *self._unaccounted) for name in self._near(key, state)}
        for name in [one for one in self._holds if one not in needed]:
            if state.gap is None and self._is_settled(name, state):
                self._holds.end_for_a_person(name, state.now_ms)

    def _is_settled(self, name: str, state: YardState) -> bool:
        """Whether nothing is under way at a node or the nodes beside it, a reset-fault neither [SUP-25].

        Behind that their states have to be told: what is to be asked next may be at the same machines.
        """
        near = [state.nodes[one] for one in self._rules(state).reaching(name, "")]
        asked = any("reset-fault" in one.open_acts for one in near)
        return not asked and not state.nodes[name].open_acts and all(one.has_reported for one in near)

    def _at_rest(self, key: QuestionKey, state: YardState) -> bool:
        """Whether nothing that reaches there may be at work [SUP-19]."""
        node = state.nodes.get(key.node)
        quiet = node is None or not node.open_acts
        return quiet and self._rules(state).clear_for_a_person(key.node, key.place)

    def _may_look(self, key: QuestionKey, state: YardState) -> bool:
        """Nobody is sent to where a job may be open, or a node is not held [SUP-19, SUP-25]."""
        if not key.sends_a_person:
            return True
        held = self._rules(state).held_for_a_person(key.node, key.place)
        return held and self._at_rest(key, state)

    def _wanted(self, state: YardState) -> Iterator[QuestionKey]:
        if state.gap is not None:
            yield QuestionKey(Ask.GAP, "")
        for node in state.nodes.values():
            if node.owned:
                yield from _of_node(node, state)
        for place in state.site.places.values():
            if not state.boxes.is_sure(place.name) and _stands_still(place.name, state):
                yield QuestionKey(Ask.SLOTS, place.node, place.name)

    # ------------------------------------------------------------ raising
    def _raise(self, key: QuestionKey, state: YardState) -> None:
        asks, choices = self._text(key, state)
        boots = {name: state.nodes[name].boot for name in self._near(key, state)}
        question = Question(key.about, key.node, key.place, asks, choices, boots, self._settle)
        for old in [one for one in self.withdrawn if one.question.key == key]:
            self.withdrawn.remove(old)
        self.questions.append(question)
        if self._on_question is not None:
            self._on_question(question)

    def _settle(self, question: Question, found: tuple[str, ...]) -> None:
        if question not in self.questions:
            gone = next((one.why for one in self.withdrawn if one.question is question), "")
            raise ValueError(f"this question was withdrawn: {gone or question.asks}")
        if not self._holds.linked:
            raise ValueError(AWAY)
        now, key = self._look(), question.key
        if not self._may_look(key, now) or self._why_not_any_more(question, [key], now):
            near = ", ".join(sorted(self._near(key, now)))
            raise ValueError(
                f"not all of {near} are known to be held and at rest; answer again when they are"
            )
        self._answers.take(question.about, question.node, question.place, found)
        self.questions.remove(question)
        self._unaccounted = {one for one in self._unaccounted if one.where != key.where}

    def _text(self, key: QuestionKey, state: YardState) -> tuple[str, tuple[str, ...]]:
        node, place = key.node, key.place
        match key.about:
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
                return f"{node} has stopped: {active or 'no fault named'}. Fixed?", ()
            case Ask.HELD:
                return f"{self._holds.why_held(node)}. May it go on?", ()
            case Ask.GAP:
                return state.gap.text() if state.gap is not None else "", ()


def _of_node(node: NodeState, state: YardState) -> Iterator[QuestionKey]:
    crane, berth = node.words.get("crane-status"), node.words.get("train-arrival")
    shuttle = node.words.get("shuttle-status")
    if node.held and node.name not in state.own_holds and "resume" not in node.open_acts:
        yield QuestionKey(Ask.HELD, node.name)
    if "fault" not in node.words:
        return  # an answer could not name the fault count [FLT-04]
    if berth is not None and berth["state"] == "lost":
        yield QuestionKey(Ask.TRACK, node.name, _place_of(node.name, state))
    if shuttle is not None and shuttle["state"] == "lost":
        yield QuestionKey(Ask.SHUTTLE, node.name, _place_of(node.name, state))
    if crane is not None and node.idle:
        if crane["load"] == "unsure" or state.boxes.spreaders[node.name] == UNSURE:
            yield QuestionKey(Ask.SPREADER, node.name)
        elif crane["mode"] == "faulted":
            yield QuestionKey(Ask.FAULT, node.name)


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
