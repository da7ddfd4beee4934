"""What has to be so before a supervisor starts anything. Every rule is a small method of its own."""

from __future__ import annotations

from collections.abc import Container, Mapping
from typing import Any, Protocol

from protocol.site import Site
from reference_node.supervisor.observe.gap import Gap
from reference_node.supervisor.observe.neighbours import beside, places_of
from reference_node.supervisor.observe.session import Session, is_held, state_word
from reference_node.supervisor.questions.question import Question

Body = Mapping[str, Any]


class Known(Protocol):
    """What the rules look at."""

    site: Site
    sessions: dict[str, Session]
    questions: list[Question]
    was_owned: bool

    @property
    def holds(self) -> Container[str]:
        """The nodes that this supervisor holds."""

    @property
    def gap(self) -> Gap | None:
        """The time without the bus after which nobody has let the work go on yet."""


class Rules:
    """The checks before an order that moves something; the first that fails gives its reason."""

    def __init__(self, known: Known) -> None:
        self._known = known

    def obstacle(self, node: str, act: str, now_ms: int) -> str:
        """Why `act` must not be sent to `node` now; '' if nothing stands against it."""
        reasons = (
            self.bus_away(),
            self.bench(),
            self.not_owned(node),
            self.other_tables(node),
            self.silent(node, now_ms),
            self.held(node),
            self.not_ready(node, act),
            self.busy(node),
            self.machines_beside(node, act),
            self.hand_beside(node),
        )
        return next((reason for reason in reasons if reason), "")

    def bus_away(self) -> str:
        """Nothing is ordered into the dark; and after it only on a person's word."""
        return "" if self._known.gap is None else self._known.gap.why()

    def bench(self) -> str:
        """A bench node believes a tester's sensors [SUP-15]."""
        for name, session in self._known.sessions.items():
            if session.words.get("node-status", {}).get("bench"):
                return f"{name} is on the bench"
        return ""

    def not_owned(self, node: str) -> str:
        """Every node was owned before the first moving order to any, and this one is [SUP-01, SUP-02]."""
        sessions = self._known.sessions
        if sessions[node].owned and self._known.was_owned:
            return ""
        missing = [name for name, session in sessions.items() if not session.owned]
        return f"not owned yet: {', '.join(missing)}"

    def other_tables(self, node: str) -> str:
        """A node with other tables means other places by the same names [SUP-20]."""
        session = self._known.sessions[node]
        said = session.words.get("node-status", {}).get("digest")
        return "" if said == session.node.digest else f"{node} was set up from another site file ({said})"

    def silent(self, node: str, now_ms: int) -> str:
        """Nothing starts at a node that has fallen silent, nor next to it [SUP-21]."""
        for name in (node, *self.beside(node)):
            if not self._known.sessions[name].reachable(now_ms):
                return f"{name} has not been heard lately"
        return ""

    def held(self, node: str) -> str:
        """A held node refuses every job [HLD-03], and this supervisor's own hold may not have reached it yet."""
        return f"{node} is held" if node in self._known.holds or is_held(self._known.sessions[node]) else ""

    def not_ready(self, node: str, act: str) -> str:
        """A crane works only when it is ready, and is homed only when it is unhomed [CRN-03]."""
        wanted = {"transfer": "ready", "park": "ready", "jog": "ready", "home": "unhomed"}.get(act)
        mode = state_word(self._known.sessions[node], "mode")
        return "" if wanted in (None, mode) else f"{node} is {mode or 'not answering'}"

    def busy(self, node: str) -> str:
        """One job a node, and none while an order without a final report is out [ORD-12]."""
        session = self._known.sessions[node]
        return "" if session.idle() and not session.open else f"{node} has an order open"

    def machines_beside(self, node: str, act: str) -> str:
        """No train or shuttle moves while a crane that reaches it has a job, nor the other way [SUP-12]."""
        for name in self.beside(node):
            if not self._known.sessions[name].idle():
                return f"{act} at {node} waits for {name}"
        return ""

    def hand_beside(self, node: str) -> str:
        """Where a person was asked to look a hand may be: nothing starts there before the answer [SUP-19]."""
        near = {node, *self.beside(node)}
        places = {place for name in near for place in self.places_of(name)}
        for question in self._known.questions:
            if question.node == node or question.place in places or question.node in self.beside(node):
                return f"waits for an answer: {question.text}"
        return ""

    def clear_for_a_person(self, node: str, place: str) -> bool:
        """Whether nothing that reaches there has a job open, by words newer than the claim [SUP-19]."""
        near = {node, *self.beside(node)} if node else set()
        if place:
            near |= {*self._known.site.cranes_reaching(place), self._known.site.places[place].node}
        return all(self._known.sessions[name].idle() for name in near if name)

    def beside(self, node: str) -> tuple[str, ...]:
        """The nodes whose machines may meet those of `node`."""
        return beside(self._known.site, node)

    def places_of(self, node: str) -> tuple[str, ...]:
        """The places that `node` reaches or owns."""
        return places_of(self._known.site, node)
