"""What a supervisor can know at each moment, read off its own end of the link.

The ledger goes through one life of the supervisor message by message. Whatever the supervisor sends is judged
against what had been delivered to it by then: never against what a node knew.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from conformance.oracle.link_log import Log, Message
from protocol.counting import uptime_difference
from protocol.site import NodeSite, Site
from protocol.specification import FINAL, STATE_MESSAGES, specification
from protocol.topics import NotATopic, parse_topic

Body = Mapping[str, Any]


class Doubt(NamedTuple):
    """Why nothing but hold and ask may go to a node: it was silent [SUP-27], or another boot spoke [SUP-28]."""

    since_ms: float
    requirement: str


@dataclass(slots=True)
class Known:
    """One node as the supervisor can know it."""

    boot: int | None = None
    earlier: frozenset[int | None] = frozenset()
    """Boots that it was in before, in this life of the supervisor."""
    mark: int = 0
    uptime: int = 0
    heard_ms: float | None = None
    """When the newest state message came that was no hint."""
    doubted: Doubt | None = None
    """Why it has to be asked again, and since when."""
    since_ms: float = 0.0
    """When this boot was found to be that of now."""
    words: dict[str, Message] = field(default_factory=dict)
    """Newest state message of this boot by name."""
    states: frozenset[str] = frozenset()
    """The state messages of a node with its roles."""
    tokens: dict[int, set[str]] = field(default_factory=dict)
    """Token of every ask of this life to the state messages of this boot heard since."""
    asked_ms: dict[int, float] = field(default_factory=dict)
    """When each ask was sent, by its token."""
    answered: bool = False
    """Whether an ask of this life was answered in this boot, with every state message [ORD-03, SUP-32]."""
    token_came: bool = False
    """Whether the report with the token of such an ask came, whatever came before it [SUP-01]."""
    claims: dict[int, Message] = field(default_factory=dict)
    """Claims sent in this boot, by id."""
    owned: int = 0
    """Id of the newest claim that was answered with itself as the mark; 0 without one."""
    sent: dict[int, Message] = field(default_factory=dict)
    """Orders with an id but claims, first sending of each, in this boot."""
    last: dict[int, Message] = field(default_factory=dict)
    """The newest sending of each."""
    jobs: dict[int, Message] = field(default_factory=dict)
    """Jobs of this life without a final report."""

    @property
    def highest(self) -> int:
        """The highest id sent in this boot."""
        return max((*self.sent, *self.claims), default=0)

    def doubt(self, at_ms: float) -> Doubt | None:
        """Why nothing but hold and ask may go to it as of `at_ms`; None where more may."""
        silence_ms = specification().most_ms("state_silence")
        if self.doubted is None and self.heard_ms is not None and at_ms - self.heard_ms > silence_ms:
            return Doubt(self.heard_ms + silence_ms, "SUP-27")
        return self.doubted

    def word(self, name: str) -> Message | None:
        """The newest state message of that name, if it was said after the claim: the mark in it tells."""
        message = self.words.get(name)
        return message if message and self.owned and message.body.get("mark", 0) >= self.owned else None


@dataclass(frozen=True, slots=True)
class JudgedOrder:
    """One order as it was sent, with what was known just before."""

    message: Message
    node: str
    known: Known
    all_known: Mapping[str, Known]
    """Every node, by name."""
    is_new: bool
    """Whether it is no repeat."""

    @property
    def act(self) -> str:
        """Its act; '' where it cannot be read."""
        return str(self.message.body.get("act", ""))

    @property
    def body(self) -> Body:
        """Its body."""
        return self.message.body

    @property
    def moves(self) -> bool:
        """Whether it is a job."""
        return self.act in specification().jobs

    @property
    def crosses_reset(self) -> bool:
        """Whether it is for a boot that is over, and has met the news of that on its way."""
        return self.body.get("boot") in self.known.earlier - {None}

    @property
    def starts(self) -> bool:
        """Whether it starts something: a job that is no repeat."""
        return self.moves and self.is_new


class SupervisorKnowledge:
    """Goes through one life. `nodes` is what is known up to the order that `orders` has given last."""

    def __init__(self, site: Site) -> None:
        self.nodes = {
            node.name: Known(states=_states_of(node))
            for node in site.nodes.values()
            if not node.is_supervisor
        }
        self._boots: dict[str, dict[int | None, Known]] = {
            name: {None: one} for name, one in self.nodes.items()
        }

    def orders(self, log: Log, after: int, until: int | None = None) -> Iterator[JudgedOrder]:
        """Every order between two traces to a node of the site, each before it is entered."""
        for message in list(log.since(after)):
            if until is not None and message.number > until:
                return
            name = _node_of(message)
            known = self.nodes.get(name)
            if known is None:
                continue
            if message.from_node and message.name == "job-order":
                id_ = message.body.get("id")
                is_new = id_ not in known.sent and id_ not in known.claims
                yield JudgedOrder(message, name, known, self.nodes, is_new)
                _enter_order(known, message)
                for other in self._boots[name].values():
                    _enter_ask(other, message)
            elif not message.from_node and _is_live(message):
                self.nodes[name] = self._hear(name, known, message)

    def _hear(self, name: str, known: Known, message: Message) -> Known:
        """What is known with this message. Another boot is that of now once it has answered the newest ask."""
        boots, boot = self._boots[name], message.body["boot"]
        if known.boot is None:
            known.boot = boot
            boots[boot] = boots.pop(None)
        if boot not in boots:
            asked: dict[int, set[str]] = {token: set() for token in known.tokens}
            boots[boot] = Known(boot, states=known.states, tokens=asked, asked_ms=dict(known.asked_ms))
        spoken = boots[boot]
        _enter_word(spoken, message)
        if spoken is known:
            return known
        if (
            message.body.get("act") == "ask"
            and known.asked_ms.get(message.body["token"], -1) >= known.since_ms
        ):
            spoken.earlier, spoken.since_ms = known.earlier | {known.boot}, message.at_ms
            return spoken
        known.doubted = known.doubted or Doubt(message.at_ms, "SUP-28")
        return known


def _states_of(node: NodeSite) -> frozenset[str]:
    return frozenset(specification().states_of(node.roles))


def _node_of(message: Message) -> str:
    try:
        return parse_topic(message.topic).node
    except NotATopic:
        return ""


def _enter_order(known: Known, message: Message) -> None:
    body = message.body
    if "id" not in body or body["boot"] != known.boot:
        return
    if body["act"] == "claim":
        known.claims.setdefault(body["id"], message)
    else:
        known.sent.setdefault(body["id"], message)
        known.last[body["id"]] = message
        if body["act"] in specification().jobs and known.sent[body["id"]] is message:
            known.jobs[body["id"]] = message


def _enter_ask(known: Known, message: Message) -> None:
    if message.body.get("act") == "ask":
        known.tokens[message.body["token"]] = set()
        known.asked_ms[message.body["token"]] = message.at_ms


def _is_live(message: Message) -> bool:
    """Whether it is more than a hint [SUP-10]."""
    off = message.name == "node-status" and message.body.get("state") == "off"
    return not (message.retain or off or "boot" not in message.body)


def _enter_word(known: Known, message: Message) -> None:
    """A word of this boot."""
    body = message.body
    known.doubted = known.doubt(message.at_ms)
    if "uptime" in body and uptime_difference(body["uptime"], known.uptime) > 0:
        known.uptime = body["uptime"]
    known.mark = max(known.mark, body.get("mark", 0))
    if message.name in STATE_MESSAGES:
        known.words[message.name], known.heard_ms = message, message.at_ms
        for heard in known.tokens.values():
            heard.add(message.name)
    elif message.name == "job-report":
        _enter_report(known, message)


def _enter_report(known: Known, message: Message) -> None:
    body = message.body
    if body["act"] == "ask":
        known.token_came = known.token_came or body["token"] in known.tokens
        heard = known.tokens.get(body["token"], set())
        if heard >= known.states:
            known.answered, known.doubted = True, None
    elif body["act"] == "claim":
        sent = known.claims.get(body["id"])
        ours = sent is not None and body.get("claimant") in (None, sent.body.get("token"))
        if ours and body["mark"] == body["id"] and body["order_boot"] == known.boot:
            known.owned = body["id"]
            # What stands below a newer claim can be obeyed no more: it may be given up [SUP-08].
            known.jobs = {id_: sent for id_, sent in known.jobs.items() if id_ > known.owned}
    else:
        job = known.jobs.get(body["id"])
        acts = (job.body["act"], "cancel") if job else ()
        if job and body["act"] in acts and body["order_boot"] == job.body["boot"] and body["state"] in FINAL:
            del known.jobs[body["id"]]
