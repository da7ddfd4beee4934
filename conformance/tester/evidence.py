"""What stands behind a fail: the broken sentence, expected against seen, and the messages around it."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from math import inf

from conformance.oracle.link_log import Log, Message, Trace
from conformance.suite.verdict import Broken
from conformance.tester.hints.hints import of_breach
from conformance.tester.hints.scene import gist
from protocol.foreign_text import one_line
from protocol.specification import STATE_MESSAGES, Requirement, specification
from protocol.topics import parse_topic
from protocol.validation import readable_body
from protocol.wire.packet import Ack, Connect, Ping, Publish, Subscribe, Will

BEFORE, AFTER = 10, 2
"""So many packets are shown before the one that shows it, and behind."""
ENVELOPE = ("boot", "seq", "uptime")
STATES = ("state", "job_state", "reason")
"""What tells most of a message, whatever the finding is about."""
Rank = Callable[[str], int]
"""How far to the front a field belongs."""
_WORD = re.compile(r"[a-z][a-z_]*")


@dataclass(frozen=True, slots=True)
class EvidenceLine:
    """One packet of the evidence, in words."""

    number: int
    at_ms: float
    from_node: bool
    node: str
    """Whose message it is: the node in its topic; '' for a packet that is none."""
    name: str
    text: str
    marked: bool
    """Whether this is the one that shows it."""


@dataclass(frozen=True, slots=True)
class Evidence:
    """Why a requirement is broken, for the author of the firmware to see."""

    requirement: str
    sentence: str
    level: str
    expected: str
    seen: str
    causes: tuple[str, ...]
    lines: tuple[EvidenceLine, ...]

    @property
    def shown_at(self) -> float:
        """The number of the packet that shows it; endless where it is one that did not come."""
        return next((line.number for line in self.lines if line.marked), inf)


def gather(broken: Broken, log: Log) -> Evidence:
    """The evidence for what a case found broken."""
    requirement = specification().requirements[broken.requirement]
    at = log.end if broken.at is None else broken.at
    by_number = {message.number: message for message in log.messages}
    tells = _Telling(requirement, log, by_number, broken.at)
    told = [trace for trace in log.traces if trace.number == broken.at or tells(trace)]
    place = next((i for i, trace in enumerate(told) if trace.number >= at), len(told))
    window = told[max(0, place - BEFORE) : place + AFTER + 1]
    explained = of_breach(broken, log)
    named, meant = _words_of(broken.expected, str(broken.seen)), _words_of(requirement.says)

    def rank(field: str) -> int:
        return 0 if field in named else 1 if field in STATES else 2 if field in meant - set(ENVELOPE) else 3

    return Evidence(
        requirement=requirement.id,
        sentence=requirement.says,
        level=requirement.level,
        expected=broken.expected,
        seen=explained.seen,
        causes=explained.causes,
        lines=tuple(_line(trace, by_number.get(trace.number), broken.at, rank) for trace in window),
    )


class _Telling:
    """Which packets tell something, so that what led to it is still in sight.

    Acknowledgements and pings do where the finding is about the link, and a state that only repeats the one before it
    where the finding is about when and how often it is said.
    """

    def __init__(
        self, requirement: Requirement, log: Log, by_number: Mapping[int, Message], at: int | None
    ) -> None:
        self._link = requirement.id.startswith("LNK-")
        self._repeats = {message.number for message in _repeats(log)}
        if at in self._repeats or requirement.id.startswith("MSG-"):
            self._repeats = set()
        self._messages = by_number

    def __call__(self, trace: Trace) -> bool:
        if not isinstance(trace.packet, Publish | Connect | Subscribe):
            return trace.from_node and self._link
        return trace.number not in self._repeats


def _repeats(log: Log) -> Iterator[Message]:
    """The node's states that say what the one before them on their topic said."""
    before: dict[str, dict[str, object]] = {}
    for message in log.sent():
        if message.name in STATE_MESSAGES and message.body:
            said = gist(message)
            if before.get(message.topic) == said:
                yield message
            before[message.topic] = said


def _words_of(*texts: str) -> frozenset[str]:
    """Every word in a text that may be the name of a field."""
    return frozenset(word for text in texts for word in _WORD.findall(text))


def _line(trace: Trace, message: Message | None, at: int | None, rank: Rank) -> EvidenceLine:
    node = ""
    if message is not None:
        node, name, text = _node_of(message), message.name or message.topic, _words(message, rank)
    else:
        name, text = _packet_words(trace)
    return EvidenceLine(trace.number, trace.at_ms, trace.from_node, node, name, text, trace.number == at)


def _will(will: Will) -> str:
    body = readable_body("node-status", will.payload)
    said = "unreadable" if body is None else " ".join(f"{key}={_value(value)}" for key, value in body.items())
    return f"will on {will.topic}: {said}"


def _node_of(message: Message) -> str:
    return parse_topic(message.topic).node if message.name else ""


def _words(message: Message, rank: Rank) -> str:
    """Its fields, those first that the finding is about: a narrow terminal shows only so much of them."""
    if not message.body:
        return f"unreadable, {len(message.payload)} bytes: {_raw(message.payload)}"
    fields = dict(message.body)
    if message.from_node:  # What every message of a node carries tells least.
        fields |= {key: fields.pop(key) for key in ENVELOPE if key in fields}
        fields = {key: fields[key] for key in sorted(fields, key=rank)}
    return " ".join(f"{key}={_value(value)}" for key, value in fields.items())


def _raw(payload: bytes) -> str:
    """What is meant as JSON as text, all else in hex."""
    if not payload.startswith(b"{"):
        return payload[:24].hex(" ")
    text = payload[:60].decode("utf-8", "backslashreplace")
    return one_line(text)


def _value(value: object) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list | tuple):
        return "[" + ",".join(_value(one) for one in value) + "]"
    return str(value)


def _packet_words(trace: Trace) -> tuple[str, str]:
    match trace.packet:
        case Connect() as connect:
            will = _will(connect.will) if connect.will else "no will"
            session = "clean session" if connect.clean_session else "kept session"
            return "CONNECT", f"{connect.client_id} {session} keep-alive {connect.keep_alive} s, {will}"
        case Subscribe() as subscribe:
            return "SUBSCRIBE", ", ".join(f"{s.filter} QoS {s.qos}" for s in subscribe.subscriptions)
        case Ack() as ack:
            return ack.kind.name, f"packet {ack.packet_id}"
        case Ping() as ping:
            return ping.kind.name, ""
        case other:
            return type(other).__name__.upper(), ""
