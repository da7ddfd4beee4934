"""Steps of the shipped supervisor and of the shipped controller in which time passes."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

from protocol.codec import encode
from protocol.participant import Publication
from protocol.site import Encoding, Site
from reference_node.snapshot.how import BASE_MS
from reference_node.supervisor.supervisor import Supervisor
from tests.proof.timed.clocks import deadline_left, earlier, pass_at_node, pass_at_supervisor
from tests.proof.yard.messages import Message, Messages
from tests.proof.yard.node_steps import NodeSteps
from tests.proof.yard.supervisor_steps import SupervisorSteps


class TimedMessages(Messages):
    """Messages under way: what they say of uptime is reckoned from the node's present one, which is always 0."""

    def __init__(self, site: Site) -> None:
        super().__init__()
        self._site = site
        self._later: dict[tuple[int, int], int] = {}

    def later(self, number: int, by_ms: int) -> int:
        """The same message, `by_ms` later."""
        found = self._later.get((number, by_ms))
        if found is None:
            found = self._later[number, by_ms] = self.number(self.moved(self.all[number], by_ms))
        return found

    def moved(self, one: Message, by_ms: int) -> Publication:
        """The publication of the same message, `by_ms` later."""
        body = dict(one.body)
        if "uptime" in body and one.name != "job-order":
            body["uptime"] = earlier(int(body["uptime"]), by_ms)
        if "deadline" in body:
            body["deadline"] = deadline_left(int(body["deadline"]), by_ms)
        node = self._site.nodes[one.node]
        reads = Encoding.JSON if node.reads == "json" else Encoding.CBOR
        payload = encode(one.name, body, reads if one.name == "job-order" else node.writes)
        return replace(one.publication, payload=payload)


class TimedNode(NodeSteps):
    """The steps of a node; ("pass", ms) is the one in which time passes."""

    def _do(self, node: Any, what: tuple[Any, ...]) -> Any:
        by_ms = what[1] if what[0] == "pass" else 0
        node._uptime.count = by_ms
        out = node.tick(BASE_MS + by_ms) if what[0] == "pass" else super()._do(node, what)
        pass_at_node(node, by_ms)
        messages: Any = self._messages
        said = [messages.all[messages.number(one)] for one in out]
        return [messages.moved(one, by_ms) for one in said] if by_ms else out


@dataclass(frozen=True, slots=True)
class Known:
    """What the exploration asks of a supervisor of one node."""

    belief: str
    reachable: bool
    orders: tuple[int, ...]
    """Ids of the open orders."""
    mode: str
    """The crane's, by words that count."""


class TimedSupervisor(SupervisorSteps):
    """The steps of a supervisor of one node; ("pass", ms) is the one in which time passes."""

    def __init__(self, *args: Any, **more: Any) -> None:
        super().__init__(*args, **more)
        self._known: dict[int, Known] = {}

    def known(self, number: int) -> Known:
        """What is known in a state."""
        found = self._known.get(number)
        if found is None:
            supervisor = self._taken(number)
            (session,) = supervisor.sessions.values()
            word = session.word("crane-status") or {}
            found = self._known[number] = Known(
                session.belief,
                session.reachable(supervisor.now_ms),
                tuple(session.open),
                str(word.get("mode", "")),
            )
            self._live[number] = supervisor
        return found

    def _do(self, supervisor: Supervisor, what: tuple[Any, ...]) -> Any:
        if what[0] != "pass":
            return super()._do(supervisor, what)
        for session in supervisor.sessions.values():
            pass_at_supervisor(session, what[1])
        return supervisor.tick(BASE_MS + what[1])
