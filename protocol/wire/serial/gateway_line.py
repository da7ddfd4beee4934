"""The gateway's end of one serial line: which connection the node behind it has, and what passes [SER-09 to SER-11].

Pure: bytes, times and what happens on the bus come in; bytes go out, and what is to be done on the bus.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from typing import ClassVar

from protocol.codec import decode, encode
from protocol.participant import Delivery, Publication
from protocol.site import Encoding, NodeSite
from protocol.specification import specification
from protocol.topics import Topic
from protocol.wire.back_off import BackOff
from protocol.wire.serial.framing import Frame, FrameReader, TooLong, encode_frame
from protocol.wire.serial.line_message import Bus, Connection, Here, read_here
from protocol.wire.serial.node_line import ORDER, beat_ms, silence_ms
from protocol.wire.serial.paced_queue import PacedQueue

SOONEST_MS = 200
"""From one connection of a board to that of its next boot: no board restarts sooner, but noise may say so."""


@dataclass(frozen=True, slots=True)
class Opening:
    """A connection to be opened: whose, and what its will carries."""

    site: str
    name: str
    connection: Connection

    def will(self, qos: int) -> Publication:
        """A node-status with boot, link count and 'off' [LNK-04]."""
        connection = self.connection
        body = {"boot": connection.boot, "state": "off", "link": connection.link}
        payload = encode("node-status", body, Encoding.CBOR)
        return Publication(str(Topic(self.site, self.name, "node-status")), payload, qos, True)


@dataclass(frozen=True, slots=True)
class Close:
    """The connection is to be ended, without a DISCONNECT."""

    why: str


Action = Opening | Close | Publication
Admit = Callable[[str, str], NodeSite | None]
"""Site and name to what the site file says of the node; None for one that must not connect."""


@dataclass(slots=True)
class Tally:
    """What has passed."""

    up: int = 0
    down: int = 0
    refused: int = 0
    """Messages that could not pass: retained orders, and what fits into no frame."""


class GatewayLine:
    """The gateway's end of one line."""

    reader_class: ClassVar[type[FrameReader]] = FrameReader

    def __init__(self, admit: Admit, *, rate: int | None = None) -> None:
        """`rate` in baud paces what goes out."""
        self.actions: deque[Action] = deque()
        """What is to be done on the bus, in this order."""
        self.reader = self.reader_class()
        self.tally = Tally()
        self.opening: Opening | None = None
        """The connection that is being opened or stands."""
        self.state = "off"
        self.stranger = ""
        """Who asked for a connection and got none; '' where nobody did."""
        self._admit = admit
        self._node: NodeSite | None = None
        kinds = specification().line_kinds.values()
        self._from_node = {kind.number: kind for kind in kinds if kind.sender == "node"}
        self._orders = {kind.to: kind.number for kind in kinds if kind.carries == ORDER}
        self._out = PacedQueue(rate)
        self._back_off = BackOff()
        self._not_before_ms: int | None = None
        self._opened_ms = -SOONEST_MS
        self._heard_ms = 0
        self._said_ms = 0
        self._early: list[Delivery] = []
        """What came before the connection was subscribed to everything."""

    # ------------------------------------------------------------ what the line brings
    def feed(self, data: bytes, now_ms: int) -> None:
        """Take in what the line has brought."""
        for frame in self.reader.feed(data):
            self.receive(frame, now_ms)

    def receive(self, frame: Frame, now_ms: int) -> None:
        """A frame of the node's; what nodes do not send is dropped, and shows no life [SER-04]."""
        kind = self._from_node.get(frame.kind)
        if kind is None:
            return
        if kind.carries:
            self._heard_ms = now_ms
            self.pass_up(kind.carries, frame.payload, now_ms)
            return
        here = read_here(frame.payload)
        if here is not None:
            self._heard_ms = now_ms
            self.heard(here, now_ms)

    def heard(self, here: Here, now_ms: int) -> None:
        """SER-09, SER-10: another boot or link count is another life, and so is one that asks for what it had."""
        if self.opening is not None and (
            here.connection != self.opening.connection or self._asks_again(here)
        ):
            again = here.connection.boot == self.opening.connection.boot
            self.close("the board asks for another connection", now_ms)
            if not again:
                # A board that has restarted need not wait, but for one that does so on and on.
                self._not_before_ms = self._opened_ms + SOONEST_MS
        if self.opening is None and here.wants:
            self._open(here, now_ms)
        if self.state == "off":
            self.say(Bus(here.connection, "off"), now_ms)

    def _asks_again(self, here: Here) -> bool:
        assert self.opening is not None
        if not here.wants:
            return False
        other = (here.site, here.name) != (self.opening.site, self.opening.name)
        return other or self.state == "on"

    def _open(self, here: Here, now_ms: int) -> None:
        node = self._admit(here.site, here.name)
        self.stranger = "" if node is not None else f"{here.site}/{here.name}"
        if node is None or (self._not_before_ms is not None and now_ms < self._not_before_ms):
            return
        self._node, self._not_before_ms = node, None
        self._opened_ms = now_ms
        self.opening = Opening(here.site, here.name, here.connection)
        self.actions.append(self.opening)

    def pass_up(self, message: str, payload: bytes, now_ms: int) -> None:
        """SER-11: unchanged; the node-status of this connection first."""
        if self.opening is None or self.state == "off" or self._node is None:
            return
        if self.state == "new":
            if message != "node-status" or not self._is_of_connection(payload):
                return
            self.state = "on"
            self.say(Bus(self.opening.connection, "on"), now_ms)
        topic = str(Topic(self.opening.site, self.opening.name, message))
        retain = specification().topics[message].retain
        self.tally.up += 1
        self.actions.append(Publication(topic, payload, self._node.qos, retain))

    def _is_of_connection(self, payload: bytes) -> bool:
        assert self.opening is not None
        body = decode("node-status", payload).body or {}
        wanted = self.opening.connection
        return (body.get("state"), body.get("boot"), body.get("link")) == ("on", wanted.boot, wanted.link)

    # ------------------------------------------------------------ what happens on the bus
    def subscriptions(self) -> list[tuple[str, int]]:
        """The orders to the node and those to all, at QoS 1 [LNK-05, LNK-06]."""
        assert self.opening is not None
        names = (self.opening.name, specification().everyone)
        return [(str(Topic(self.opening.site, name, ORDER)), 1) for name in names]

    def opened(self, now_ms: int) -> None:
        """The connection stands and is subscribed."""
        assert self.opening is not None
        self._back_off.reset()
        self.state = "new"
        self.say(Bus(self.opening.connection, "new"), now_ms)
        early, self._early = self._early, []
        for delivery in early:
            self.deliver(delivery)

    def lost(self, now_ms: int) -> None:
        """The connection is gone, or could not be opened; the next one comes after a while [LNK-10]."""
        if self.opening is None:
            return
        connection = self.opening.connection
        self._end(now_ms)
        self.say(Bus(connection, "off"), now_ms)

    def deliver(self, delivery: Delivery) -> None:
        """An order from the bus, live ones only [SER-11, LNK-14]."""
        if self.opening is None:
            return
        if self.state == "off":
            self._early.append(delivery)
            return
        own = delivery.topic == str(Topic(self.opening.site, self.opening.name, ORDER))
        if delivery.retain:
            self.tally.refused += 1
            return
        try:
            self._out.put(encode_frame(Frame(self._orders["own" if own else "all"], delivery.payload)))
            self.tally.down += 1
        except TooLong:
            self.tally.refused += 1

    # ------------------------------------------------------------ time and the line
    def tick(self, now_ms: int) -> None:
        """Time has passed."""
        if self.opening is not None and now_ms - self._heard_ms >= silence_ms():
            self.close("the line is silent", now_ms)
        if self.opening is not None and self.state != "off" and now_ms - self._said_ms >= beat_ms():
            self.say(Bus(self.opening.connection, self.state), now_ms)

    def next_tick(self, now_ms: int) -> int | None:
        """When `tick` or `take` has to be called next at the latest; None while nothing is due."""
        due = [self._out.next_ms] if self._out else []
        if self.opening is not None:
            due.append(self._heard_ms + silence_ms())
            due += [self._said_ms + beat_ms()] if self.state != "off" else []
        return max(now_ms, min(due)) if due else None

    def take(self, now_ms: float) -> bytes:
        """What can go out now; b'' where nothing waits or the line is not free."""
        return self._out.take(now_ms)

    def close(self, why: str, now_ms: int) -> None:
        """End the connection so that the broker sends the will; orders that wait for the line are dropped."""
        if self.opening is not None:
            self._end(now_ms)
            self.actions.append(Close(why))

    def _end(self, now_ms: int) -> None:
        self.opening, self.state, self._early = None, "off", []
        self._out.clear()
        self._not_before_ms = now_ms + self._back_off.next_ms()

    def say(self, bus: Bus, now_ms: int) -> None:
        """SER-10; of a board that is not known nothing is said until it speaks."""
        self._said_ms = now_ms
        self._out.put(encode_frame(bus.frame()))
