"""Fault injection: a reference node inside whatever a breach bends of what it hears, says and does, in its context.

The node is the shipped controller. Everything goes through here, so that how the node behaves can be compared with one
that has no breach: `fingerprint` is that of all that it was given and all that it gave.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any
from zlib import crc32

from protocol.guards import Order, OrderGuard
from protocol.participant import Delivery, Publication
from protocol.validation import readable_body
from protocol.wire.evidence import LinkPacket
from protocol.wire.packet import Connect, Packet, Publish, Subscribe
from reference_node.controller.controller import Controller
from tests.faulty_nodes.matrix.history import CONTEXTS, History
from tests.faulty_nodes.matrix.said import Said

Alter = Callable[[Said], "bool | Sequence[Said] | None"]
"""Alters a message in place (None), leaves it out (False), or gives what is said instead."""
Hear = Callable[[Order, Delivery], "Sequence[Delivery] | None"]
"""What the node is given instead of an order that was read; None to leave it."""


class Record:
    """What one faulty node came to in a run, over all its boots."""

    def __init__(self) -> None:
        self.digest = hashlib.blake2b(digest_size=16)
        self.reached = 0
        """How often the context held when the breach was at hand."""
        self.connects: list[Callable[[Connect], Connect] | None] = []
        """What is seen of each CONNECT, oldest first; None: as it is."""
        self.subscribes: list[Publication | None] = []
        """Of each SUBSCRIBE, oldest first: what was said before it; None for nothing."""
        self._behind: Packet | None = None
        self.at_qos_2: set[bytes] = set()
        self.crash = ""

    def enter(self, *what: object) -> None:
        """Enter something that happened at the boundary of the node."""
        self._enter(repr(what).encode())

    def _enter(self, what: bytes) -> None:
        self.digest.update(what)

    @property
    def fingerprint(self) -> str:
        """Of all that was entered."""
        return self.digest.hexdigest()

    def distort(self, seen: LinkPacket) -> LinkPacket:
        """What the kit is shown of a packet: parts of CONNECT, and QoS 2, are no matter of a participant."""
        packet = seen.packet
        if isinstance(packet, Connect):
            change = self.connects.pop(0) if self.connects else None
            return seen if change is None else replace(seen, packet=change(packet))
        if isinstance(packet, Subscribe):
            first = self.subscribes.pop(0) if self.subscribes else None
            if first is None:
                return seen
            self._behind = packet
            return replace(seen, packet=Publish(first.topic, first.payload, 0, first.retain, False, None))
        if isinstance(packet, Publish) and seen.from_node and self._behind is not None:
            behind, self._behind = self._behind, None
            return replace(seen, packet=behind)
        if isinstance(packet, Publish) and seen.from_node and packet.payload in self.at_qos_2:
            return replace(seen, packet=replace(packet, qos=2, packet_id=packet.packet_id or 1))
        return seen


class Kept(Record):
    """A record with a mark for each entry, to hold another against."""

    def __init__(self) -> None:
        super().__init__()
        self.marks: list[int] = []

    def _enter(self, what: bytes) -> None:
        self.marks.append(crc32(what))


class Differs(BaseException):
    """What is entered is not what was entered there; no `Exception`, for a board that catches those hangs by them."""


class Comparing:
    """Of a record: raises Differs at the first entry which is not that of another."""

    def __init__(self, marks: Sequence[int]) -> None:
        super().__init__()
        self._left = iter(marks)

    def _enter(self, what: bytes) -> None:
        if next(self._left, None) != crc32(what):
            raise Differs

    def end(self) -> None:
        """Nothing more comes. Raises Differs where it is not the end of the other too."""
        if next(self._left, None) is not None:
            raise Differs


class Compared(Comparing, Record):
    """The record of a node, compared."""


class Injection:
    """A participant: one boot of the node with the breaches that `inject` plants."""

    def __init__(
        self, node: Controller, record: Record, when: Sequence[str], percent: int | None = None
    ) -> None:
        """`when` names contexts which all have to hold; `percent` is how far a number is beyond its limit."""
        self.node, self.record, self.when, self.percent = node, record, when, percent
        node.uptime_was_set = False  # type: ignore[attr-defined]
        self.history = History(node)
        self.now_ms = node._now_ms
        self._alters: list[Alter] = []
        self._hears: list[Hear] = []
        self._afters: list[Callable[[], None]] = []
        self._connectings: list[Callable[[], None]] = []
        self._connects: list[Callable[[Connect], Connect]] = []
        self._will: Callable[[Publication], Publication] | None = None
        self._subscriptions: Callable[[list[tuple[str, int]]], list[tuple[str, int]]] | None = None
        self._keep_alive: int | None = None
        self._later: list[tuple[int, Callable[[], None]]] = []
        self._hearing_late_ms = 0
        self._in_reverse = self._status_first = False
        self._coming: list[tuple[int, Delivery]] = []
        self._extra: list[Publication] = []

    # ---------------------------------------------------------------- for breaches

    def on(self) -> bool:
        """Whether the context holds now."""
        holds = all(CONTEXTS[one](self.history) for one in self.when)
        self.record.reached += holds
        return holds

    def alters(self, messages: str | Callable[[Said], bool], alter: Alter) -> None:
        """Alter what the node says; `messages` names one, or `state` for the state of its machine."""

        def chosen(said: Said) -> bool:
            if callable(messages):
                return messages(said)
            return said.is_state if messages == "state" else said.message == messages

        self._alters.append(lambda said: alter(said) if chosen(said) and self.on() else None)

    def hears(self, hear: Hear) -> None:
        """Alter what the node hears."""
        self._hears.append(lambda order, delivery: hear(order, delivery) if self.on() else None)

    def check(self, name: str, decide: Callable[[bool, Order, Controller], bool]) -> None:
        """Let another answer be given to one of the checks of an order."""
        desk = self.node.desk
        real = desk.guards[name]

        def other(order: Order, node: Any) -> bool:
            right = real(order, node)
            return decide(right, order, self.node) if self.on() else right

        guards: dict[str, OrderGuard] = {**desk.guards, name: other}
        desk.guards = guards

    def wrap(self, owner: Any, name: str, other: Callable[..., Any]) -> None:
        """Replace a method of a part of the node; `other` gets the real one first."""
        real = getattr(owner, name)

        def either(*args: Any, **named: Any) -> Any:
            return other(real, *args, **named) if self.on() else real(*args, **named)

        setattr(owner, name, either)

    def after(self, do: Callable[[], None]) -> None:
        """Do something to the node whenever something has happened to it."""
        self._afters.append(lambda: do() if self.on() else None)

    def on_connecting(self, do: Callable[[], None]) -> None:
        """Do something to the node when a connection of it has been made."""
        self._connectings.append(lambda: do() if self.on() else None)

    def shows_connect(self, change: Callable[[Connect], Connect]) -> None:
        """Let CONNECT be another."""
        self._connects.append(change)

    def shows_status_first(self) -> None:
        """Let SUBSCRIBE be seen behind the first message of a connection."""
        self._status_first = True

    def wills(self, change: Callable[[Publication], Publication]) -> None:
        """Let the will be another."""
        self._will = change

    def subscribes(self, change: Callable[[list[tuple[str, int]]], list[tuple[str, int]]]) -> None:
        """Let what it subscribes to be other."""
        self._subscriptions = change

    def keeps_alive(self, seconds: int) -> None:
        """Ask for another keep-alive."""
        self._keep_alive = seconds

    def does(self, name: str, other: Callable[..., None]) -> None:
        """Replace what the desk does about a check; `other` gets the real one, the order and the reason."""
        real = self.node.desk._does[name]
        self.node.desk._does[name] = lambda order, reason: (
            other(real, order, reason) if self.on() else real(order, reason)
        )

    def later(self, ms: int, do: Callable[[], None]) -> None:
        """Do something when so much time has passed; what the node says by it goes out then."""
        self._later.append((self.now_ms + ms, do))
        self._later.sort(key=lambda one: one[0])

    def hears_late(self, ms: int, *, in_reverse: bool = False) -> None:
        """Handle all orders late; in reverse where more than one came within that time."""
        self._hearing_late_ms, self._in_reverse = ms, in_reverse

    def says_more(self, message: str, body: dict[str, Any]) -> None:
        """Say something of its own."""
        self._extra.append(self.node.envelope.wrap(message, body, self.node.uptime))

    def beyond(self, limit: int, *, below: bool = False, tolerance: int = 10) -> int:
        """A number as far beyond a limit as asked for, its tolerance (two legs of the link) included."""
        share = limit * (self.percent or 0) // 100 + tolerance
        return limit - share if below else limit + share

    # ---------------------------------------------------------------- a participant

    @property
    def client_id(self) -> str:
        return self.node.client_id

    @property
    def keep_alive_s(self) -> int:
        wanted = self.node.keep_alive_s
        return self._keep_alive if self._keep_alive is not None and self.on() else wanted

    def will(self) -> Publication | None:
        self.history.connects += 1
        changes = [change for change in self._connects if self.on()]
        self.record.connects.append(changes[0] if changes else None)
        will = self.node.will()
        will = self._will(will) if self._will and will is not None and self.on() else will
        self.record.enter("connect", will, self.keep_alive_s, len(changes))
        return will

    def subscriptions(self) -> Sequence[tuple[str, int]]:
        wanted = list(self.node.subscriptions())
        wanted = self._subscriptions(wanted) if self._subscriptions and self.on() else wanted
        first = self._first_status() if self._status_first and self.on() else None
        self.record.subscribes.append(first)
        self.record.enter(first)
        self.record.enter("subscribe", wanted)
        return wanted

    def _first_status(self) -> Publication:
        node = self.node
        seq = node.envelope._seq.get("node-status", 0)
        body = node.node_status() | {"link": node.link + 1}
        return node.envelope.bare(
            "node-status", {"boot": node.boot, "seq": seq, "uptime": node.uptime, **body}
        )

    def connected(self, now_ms: int) -> Sequence[Publication]:
        self.record.enter("connected", now_ms)
        self.now_ms = now_ms
        for do in self._connectings:
            do()
        return self._out(self.node.connected(now_ms))

    def disconnected(self, now_ms: int) -> None:
        self.record.enter("disconnected", now_ms)
        self.now_ms = now_ms
        self._coming.clear()
        self.node.disconnected(now_ms)
        self.history.handled()

    def receive(self, delivery: Delivery, now_ms: int) -> Sequence[Publication]:
        self.record.enter("heard", now_ms, delivery)
        self.now_ms = now_ms
        if self._hearing_late_ms and (self._coming or self.on()):
            due = now_ms + self._hearing_late_ms
            if self._in_reverse:
                due = self._coming[0][0] if self._coming else due
                self._coming.insert(0, (due, delivery))
            else:
                self._coming.append((due, delivery))
            return self._out([])
        return self._handle(delivery, now_ms)

    def _handle(self, delivery: Delivery, now_ms: int) -> Sequence[Publication]:
        order = readable_body("job-order", delivery.payload)
        self.history.heard(order, "json" if delivery.payload[:1] == b"{" else "cbor")
        given: list[Delivery] = [delivery]
        for hear in self._hears if order is not None else ():
            instead = hear(order or {}, delivery)
            if instead is not None:
                given = list(instead)
        out: list[Publication] = []
        for one in given:
            out += self.node.receive(one, now_ms)
            if order is not None and order["act"] == "set-uptime":
                self.node.uptime_was_set = True  # type: ignore[attr-defined]
        return self._out(out)

    def tick(self, now_ms: int) -> Sequence[Publication]:
        self.now_ms = now_ms
        out: list[Publication] = []
        while self._coming and self._coming[0][0] <= now_ms:
            out += self._handle(self._coming.pop(0)[1], now_ms)
        out += self._out(self.node.tick(now_ms))
        late = [do for due, do in self._later if due <= now_ms]
        self._later = [one for one in self._later if one[0] > now_ms]
        for do in late:
            do()
        return [*out, *self._out(self.node._take())] if late else out

    def next_tick(self, now_ms: int) -> int | None:
        due = [self.node.next_tick(now_ms)]
        due += [time for time, _ in self._later[:1]] + [time for time, _ in self._coming[:1]]
        return min((max(now_ms, time) for time in due if time is not None), default=None)

    # ---------------------------------------------------------------- what goes out

    def _out(self, publications: Sequence[Publication]) -> list[Publication]:
        self.history.handled()
        for do in self._afters:
            do()
        out: list[Publication] = []
        for publication in publications:
            self._note(publication)
            out += self._say(publication)
        extra, self._extra = self._extra, []
        out += extra
        self.record.enter(self.now_ms, self.node.machines.starts, out, sorted(self.record.at_qos_2))
        return out

    def _note(self, publication: Publication) -> None:
        if publication.topic.endswith("/job-report"):
            self.history.answered(readable_body("job-report", publication.payload) or {})

    def _say(self, publication: Publication) -> list[Publication]:
        if not self._alters:
            return [publication]
        said = Said.of(publication)
        many: list[Said] = [said]
        for alter in self._alters:
            result = alter(said)
            if result is False:
                return []
            if result is not None and result is not True:
                many = list(result)
        if many == [said] and said.publication() == publication:
            return [publication]
        return [one.publication() for one in many]
