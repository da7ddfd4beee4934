"""The node's end of a serial line: when the bus is there for it, and what passes meanwhile.

Pure: bytes and times come in, bytes go out. Each rule is one small method, so that a node which breaks exactly one is a
subclass.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar, Protocol

from protocol.codec import decode
from protocol.participant import Delivery, Participant, Publication
from protocol.specification import specification
from protocol.topics import Topic, parse_topic
from protocol.validation import read_message
from protocol.wire.serial.framing import Frame, FrameReader, encode_frame
from protocol.wire.serial.line_message import Bus, Connection, Here, read_bus
from protocol.wire.serial.paced_queue import PacedQueue

ORDER = "job-order"


class LineParticipant(Participant, Protocol):
    """A participant that can say its node-status again, which a line may have lost [SER-08]."""

    def status(self, now_ms: int) -> Sequence[Publication]:
        """Its node-status, as it is now."""


def beat_ms() -> int:
    """The gap between two 'here', or two 'bus', in milliseconds: off both bounds of `line_beat`."""
    figure = specification().timing["line_beat"]
    assert figure.least is not None
    return 2 * figure.least


def silence_ms() -> int:
    """The silence after which the other end is gone, in milliseconds."""
    return int(specification().timing["line_silence"].value or 0)


class NodeLine:
    """One participant at its end of a line."""

    reader_class: ClassVar[type[FrameReader]] = FrameReader

    def __init__(
        self, participant: LineParticipant, site: str, name: str, *, rate: int | None = None
    ) -> None:
        """`rate` in baud paces what goes out; None where the line itself does."""
        self.participant = participant
        self.up = False
        self.reader = self.reader_class()
        self._site, self._name = site, name
        self._topics = {"own": str(Topic(site, name, ORDER))}
        self._topics["all"] = str(Topic(site, specification().everyone, ORDER))
        kinds = specification().line_kinds.values()
        self._to_node = {kind.number: kind for kind in kinds if kind.sender == "gateway"}
        self._numbers = {
            kind.carries: kind.number for kind in kinds if kind.sender == "node" and kind.carries
        }
        self._out = PacedQueue(rate)
        self.connection = self.next_connection()
        """The connection that the node has or, while the bus is not there, the one it wants."""
        self._heard_ms = 0
        self._here_ms: int | None = None
        """When 'here' was said last; None where it has to be said at once."""

    # ------------------------------------------------------------ what the owner of the line does
    def feed(self, data: bytes, now_ms: int) -> None:
        """Take in what the line has brought."""
        for frame in self.reader.feed(data):
            self.receive(frame, now_ms)

    def tick(self, now_ms: int) -> None:
        """Time has passed."""
        if self.up and now_ms - self._heard_ms >= self.silence_ms():
            self.go_down(now_ms)
        # What only repeats itself is not made while a report waits [SER-12].
        due_ms = self.participant.next_tick(now_ms)
        if due_ms is not None and due_ms <= now_ms and not self._out:
            self.publish(self.participant.tick(now_ms))
        if self._here_ms is None or now_ms - self._here_ms >= self.beat_ms():
            self.say_here(now_ms)

    def next_tick(self, now_ms: int) -> int:
        """When `tick` or `take` has to be called next at the latest."""
        due = [now_ms if self._here_ms is None else self._here_ms + self.beat_ms()]
        if self._out:
            due.append(self._out.next_ms)
        else:
            own = self.participant.next_tick(now_ms)
            due += [] if own is None else [own]
        if self.up:
            due.append(self._heard_ms + self.silence_ms())
        return max(now_ms, min(due))

    def take(self, now_ms: float) -> bytes:
        """What can go out now; b'' where nothing waits or the line is not free."""
        return self._out.take(now_ms)

    @property
    def waits(self) -> bool:
        """Whether anything waits for the line."""
        return bool(self._out)

    def leave(self, now_ms: int, publications: Sequence[Publication]) -> None:
        """Say a parting word [LNK-16]; the bus is then not there any more."""
        self.publish(publications)
        self.up = False

    # ------------------------------------------------------------ the rules
    def silence_ms(self) -> int:
        """After how long without a 'bus' the bus is gone [SER-06]."""
        return silence_ms()

    def beat_ms(self) -> int:
        """The gap between two 'here' [SER-05]."""
        return beat_ms()

    def receive(self, frame: Frame, now_ms: int) -> None:
        """SER-04: what no gateway sends is dropped."""
        kind = self._to_node.get(frame.kind)
        if kind is None:
            return
        if kind.carries:
            self.order(self._topics[kind.to], frame.payload, now_ms)
            return
        bus = read_bus(frame.payload)
        if bus is not None and self.is_mine(bus.connection):
            self.heard(bus, now_ms)

    def is_mine(self, connection: Connection) -> bool:
        """SER-06: of another boot, or another connection of this one, nothing follows."""
        return connection == self.connection

    def heard(self, bus: Bus, now_ms: int) -> None:
        """What a 'bus' for this connection says."""
        if bus.state == "off":
            if self.up:
                self.go_down(now_ms)
            return
        if bus.state == "new":
            self.told_new(now_ms)
        if self.up:
            self._heard_ms = now_ms

    def told_new(self, now_ms: int) -> None:
        """SER-08: the node-status, with everything else if it is the first time."""
        if self.up:
            self.publish(self.participant.status(now_ms))
            return
        self.up = True
        self.publish(self.participant.connected(now_ms))
        self._here_ms = None

    def go_down(self, now_ms: int) -> None:
        """The bus is not there any more: ask for the next connection at once."""
        self.up = False
        self._out.clear()
        self.participant.disconnected(now_ms)
        self.connection = self.next_connection()
        self._here_ms = None

    def next_connection(self) -> Connection:
        """Boot and link count of the will of the next connection."""
        will = self.participant.will()
        assert will is not None
        body = decode("node-status", will.payload).body
        assert body is not None
        return Connection(int(str(body["boot"])), int(str(body["link"])))

    def order(self, topic: str, payload: bytes, now_ms: int) -> None:
        """SER-07: while the bus is not there, a hold and no other."""
        if not self.up and not _is_hold(payload):
            return
        self.publish(self.participant.receive(Delivery(topic, payload, 1), now_ms))

    def say_here(self, now_ms: int) -> None:
        """The node is there, and has or wants this connection [SER-05]."""
        self._here_ms = now_ms
        here = Here(self.connection) if self.up else Here(self.connection, self._site, self._name)
        self.send(here.frame())

    def publish(self, publications: Sequence[Publication]) -> None:
        """SER-07: nothing while the bus is not there."""
        for publication in publications if self.up else ():
            message = parse_topic(publication.topic).message
            self.send(Frame(self._numbers[message], publication.payload))

    def send(self, frame: Frame) -> None:
        """Put a frame on the line, behind those that wait."""
        self._out.put(self.encoded(frame))

    def encoded(self, frame: Frame) -> bytes:
        """A frame as it goes over the line [SER-03]."""
        return encode_frame(frame)


def _is_hold(payload: bytes) -> bool:
    reading = read_message(ORDER, payload, closed=False)
    return reading.readable and reading.body is not None and reading.body.get("act") == "hold"
