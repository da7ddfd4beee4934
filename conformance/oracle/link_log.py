"""All that passed on the link of the node under test, packet by packet and message by message.

Both benches write this one log, so a case cannot tell whether it runs on virtual time or on the wire.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any

from protocol.finding import Finding
from protocol.site import Encoding
from protocol.topics import NotATopic, parse_topic
from protocol.validation import is_newer, of_newer_minor, read_publication
from protocol.wire.packet import Connect, Granted, Kind, Packet, Publish, Subscribe


@dataclass(frozen=True, slots=True)
class Trace:
    """One MQTT packet on the node's side of the link, as judging needs it.

    It is no `LinkPacket`: that is what one bench saw, in us of its own clock and with packets that never came to
    the node; this is what both benches agree on, in ms, numbered as the log keeps it, and with the size that the
    virtual bus has to work out. A publication as it reached the broker, wills included, is a `LogEntry`.
    """

    number: int
    connection: int
    """The node's connections, counted from 1."""
    at_ms: float
    from_node: bool
    size: int
    """Bytes of the whole packet."""
    packet: Packet


@dataclass(frozen=True, slots=True)
class Message:
    """One protocol message: a PUBLISH packet, read."""

    trace: Trace
    topic: str
    payload: bytes
    qos: int
    retain: bool
    name: str
    """Message name from the topic; '' where the topic is none of the protocol's."""
    body: Mapping[str, Any]
    """Empty where it cannot be read."""
    encoding: Encoding | None
    findings: tuple[Finding, ...]

    @property
    def number(self) -> int:
        """Number of its trace: messages and packets share one order."""
        return self.trace.number

    @property
    def at_ms(self) -> float:
        """When it passed, in ms of the bench's clock."""
        return self.trace.at_ms

    @property
    def from_node(self) -> bool:
        """Whether the node sent it."""
        return self.trace.from_node

    def is_report(self, act: str, *, order: int | None = None, token: int | None = None) -> bool:
        """Whether the node sent it as a report for that act, id and token."""
        return (
            self.from_node
            and self.name == "job-report"
            and self.body.get("act") == act
            and (order is None or self.body.get("id") == order)
            and (token is None or self.body.get("token") == token)
        )


class Log:
    """Traces and messages of one run, oldest first. Grows at its end; nothing is ever changed."""

    def __init__(self) -> None:
        self.traces: list[Trace] = []
        self.messages: list[Message] = []
        self._sent: defaultdict[str, list[Message]] = defaultdict(list)
        """What the node published by its message name, and all of it under ''."""
        self._forgotten = 0
        self._newest: int | None = None
        """The node's newest connection of which the CONNECT was seen, and what it has subscribed on it."""
        self._asked: dict[int, tuple[str, ...]] = {}
        """Topic filters by the packet id of their SUBSCRIBE."""
        self._granted: set[str] = set()
        self.minor: int | None = None
        """The minor version that the participant under test says; None until it has said one."""

    @property
    def end(self) -> int:
        """Number of the newest trace; 0 before the first."""
        return self._forgotten + len(self.traces)

    def hears(self, topic: str) -> bool:
        """Whether the broker has granted the node, on its newest connection, a subscription that takes in `topic`.

        What is published before may reach the broker before its SUBSCRIBE does, and never comes to the node. A node may
        subscribe in one packet or in several.
        """
        return self._newest is None or any(_takes_in(one, topic) for one in self._granted)

    def forget(self, keep: int) -> None:
        """Drop all but the newest `keep` traces and their messages, for runs of hours. Numbers stay as they are."""
        drop = len(self.traces) - keep
        if drop <= 0:
            return
        self._forgotten += drop
        del self.traces[:drop]
        kept = list(self.since(self._forgotten))
        self.messages = []
        self._sent.clear()
        for message in kept:
            self._keep(message)

    def add(self, *, connection: int, at_ms: float, from_node: bool, size: int, packet: Packet) -> Trace:
        """Enter one packet and, where it is a PUBLISH, the message in it."""
        trace = Trace(self.end + 1, connection, at_ms, from_node, size, packet)
        self.traces.append(trace)
        match packet:
            case Connect():
                self._newest, self._asked, self._granted = connection, {}, set()
            case Subscribe(packet_id=number) if connection == self._newest:
                self._asked[number] = tuple(one.filter for one in packet.subscriptions)
            case Granted(kind=Kind.SUBACK, packet_id=number) if connection == self._newest:
                self._granted |= set(self._asked.pop(number, ()))
        if isinstance(packet, Publish):
            self._keep(self._message(trace, packet))
        return trace

    def enter(self, message: Message) -> None:
        """Enter a message that has been read already, with its trace."""
        self.traces.append(message.trace)
        self._keep(message)
        if message.from_node and message.name == "node-status":
            self.minor = message.body.get("minor", self.minor)

    def _keep(self, message: Message) -> None:
        self.messages.append(message)
        if message.from_node:
            self._sent[""].append(message)
            if message.name:
                self._sent[message.name].append(message)

    def _message(self, trace: Trace, packet: Publish) -> Message:
        message = _read(trace, packet)
        if not trace.from_node:
            return message
        if message.name == "node-status":
            self.minor = message.body.get("minor", self.minor)
        if message.findings and is_newer(self.minor):
            known = of_newer_minor(message.name, message.body.get("act"), message.findings)
            return replace(message, findings=known)
        return message

    def since(self, number: int) -> Iterator[Message]:
        """The messages after trace `number`, oldest first."""
        return _after(self.messages, number)

    def sent(self, name: str = "", after: int = 0) -> Iterator[Message]:
        """What the node published, one message name or all, after trace `after`."""
        return _after(self._sent.get(name, []), after)

    def misdirected(self, order: Mapping[str, Any], after: int) -> str:
        """Words for a report that names `order` by its id or the one it refers to, but not as its answer does [ORD-14].

        For the author whose node did answer; '' where nothing came.
        """
        ids = {order.get("id"), order.get("ref")} - {None}
        acts = {order.get("act"), None}  # a report on the job that a cancel names is none on the cancel
        reports = (m.body for m in self.sent("job-report", after) if m.body.get("act") in acts)
        found = next((body for body in reports if body.get("id") in ids), None)
        return f", but one for {found.get('act')!r} {found['id']}" if found else ""

    def latest(self, name: str) -> Message | None:
        """The node's newest readable message of that name."""
        return next((message for message in reversed(self._sent.get(name, [])) if message.body), None)

    def connects(self) -> list[tuple[Trace, Connect]]:
        """The node's CONNECT packets."""
        return [(trace, trace.packet) for trace in self.traces if isinstance(trace.packet, Connect)]


def _after(messages: list[Message], number: int) -> Iterator[Message]:
    return iter(messages[bisect_right(messages, number, key=lambda message: message.trace.number) :])


def _takes_in(topic_filter: str, topic: str) -> bool:
    """Whether a topic filter may take in a topic: with a wildcard it is taken to (MQTT 3.1.1 section 4.7)."""
    return topic_filter == topic or "+" in topic_filter or "#" in topic_filter


def _read(trace: Trace, packet: Publish) -> Message:
    try:
        name = parse_topic(packet.topic).message
    except NotATopic:
        name = ""
    # Orders are the tester's own: they are read as a receiver reads them, not judged, and not explained.
    reading = read_publication(
        packet.topic, packet.payload, retain=packet.retain, qos=packet.qos,
        closed=trace.from_node, explain=trace.from_node,
    )  # fmt: skip
    return Message(
        trace=trace,
        topic=packet.topic,
        payload=packet.payload,
        qos=packet.qos,
        retain=packet.retain,
        name=name,
        body=reading.body or {},
        encoding=reading.encoding,
        findings=reading.findings,
    )
