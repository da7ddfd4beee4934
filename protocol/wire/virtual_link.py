"""One connection of the virtual bus: two directions, each an ordered stream that may be held up by a cut."""

from __future__ import annotations

from collections import defaultdict, deque
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from itertools import count
from random import Random
from typing import Protocol

from protocol.participant import Delivery, Publication
from protocol.specification import specification
from protocol.wire.evidence import ClosedBy, Direction, Fate, LinkConnection, LinkPacket
from protocol.wire.packet import Ack, Connect, Kind, Packet, Publish
from protocol.wire.virtual_time import VirtualTime

HISTORY = 16
"""Deliveries of one stream that a repeat can reach back to."""

Stream = tuple[str, str, int]
"""Sender, topic and QoS: within it MQTT keeps order (section 4.6)."""


class PacketLog:
    """What every client sent and got, and its connections."""

    def __init__(self, time: VirtualTime) -> None:
        self._time = time
        self.packets: defaultdict[str, list[LinkPacket]] = defaultdict(list)
        self.connections: defaultdict[str, list[LinkConnection]] = defaultdict(list)

    def open(self, client_id: str) -> LinkConnection:
        """Enter a new connection of a client."""
        book = self.connections[client_id]
        book.append(LinkConnection(len(book) + 1, self._time.now_ms * 1000))
        return book[-1]

    def enter(self, link: Link, direction: Direction, packet: Packet, fate: Fate = Fate.FORWARDED) -> None:
        """Enter a packet as it passes the client's end."""
        book = self.packets[link.client_id]
        at_us = self._time.now_ms * 1000
        book.append(LinkPacket(len(book) + 1, link.entry.number, direction, at_us, packet, fate))

    def close(self, link: Link, by: ClosedBy) -> None:
        """Enter the end of a connection; only the first counts."""
        book, index = self.connections[link.client_id], link.entry.number - 1
        if book[index].closed_by is None:
            book[index] = replace(book[index], closed_us=self._time.now_ms * 1000, closed_by=by)


class LinkConditions:
    """What all links have in common: time, latency, and which clients are cut off and until when."""

    def __init__(self, time: VirtualTime, rng: Random, latency_ms: tuple[int, int], *, reorder: bool) -> None:
        self.time = time
        self.reorder = reorder
        self._rng = rng
        self._latency_ms = latency_ms
        self._cuts: dict[str, int] = {}

    def delay_ms(self) -> int:
        """The time that the next packet takes."""
        return self._rng.randint(*self._latency_ms)

    def cut(self, client_id: str, for_ms: int) -> None:
        """Hold up everything to and from a client."""
        self._cuts[client_id] = self.time.now_ms + for_ms

    def cut_until_ms(self, client_id: str) -> int:
        """When the newest cut of a client ends or ended."""
        return self._cuts.get(client_id, 0)

    def is_cut(self, client_id: str) -> bool:
        """Whether nothing passes to and from a client now."""
        return self.cut_until_ms(client_id) > self.time.now_ms


class OrderedStream:
    """One ordered stream. What is sent during a cut arrives after it, as TCP would have it."""

    def __init__(self, conditions: LinkConditions, client_id: str) -> None:
        self._conditions = conditions
        self._client_id = client_id
        self._under_way: deque[Callable[[], object]] = deque()
        self._last_ms = 0

    def send(self, arrive: Callable[[], object]) -> None:
        """Call `arrive` at the far end, after everything that was sent before."""
        start_ms = max(self._conditions.time.now_ms, self._conditions.cut_until_ms(self._client_id))
        self._last_ms = max(self._last_ms, start_ms + self._conditions.delay_ms())
        self._under_way.append(arrive)
        self._conditions.time.call_at(self._last_ms, self._arrive)

    def _arrive(self) -> None:
        if self._conditions.is_cut(self._client_id):
            self._conditions.time.call_at(self._conditions.cut_until_ms(self._client_id), self._arrive)
        else:
            self._under_way.popleft()()


@dataclass(slots=True)
class RecentDeliveries:
    """The newest deliveries of one stream, for repeats."""

    sent: int = 0
    newest: deque[tuple[Publication, int]] = field(default_factory=lambda: deque(maxlen=HISTORY))

    def add(self, publication: Publication, packet_id: int) -> int:
        """Keep a delivery; gives its number in the stream."""
        self.newest.append((publication, packet_id))
        self.sent += 1
        return self.sent - 1

    def since(self, number: int) -> list[tuple[Publication, int]]:
        """The deliveries from `number` on, in order, as far as they are kept."""
        wanted = self.sent - number
        return list(self.newest)[-wanted:]


class Client(Protocol):
    """What is called at the client's end of a link."""

    def on_connack(self, link: Link) -> None:
        """The connection is accepted."""

    def on_suback(self, link: Link) -> None:
        """The subscriptions stand."""

    def on_publish(self, link: Link, delivery: Delivery) -> None:
        """A message came."""

    def on_control(self, link: Link) -> None:
        """Anything else came."""

    def on_closed(self, link: Link) -> None:
        """The far end has closed the connection."""


class Link:
    """One connection: what both ends know of it."""

    def __init__(self, client: Client, connect: Connect, book: PacketLog, conditions: LinkConditions) -> None:
        self.client = client
        self.connect = connect
        self.client_id = connect.client_id
        self.book = book
        self.entry = book.open(connect.client_id)
        self.client_open = True
        self.broker_open = False
        self.subscriptions: dict[str, int] = {}
        self.histories: defaultdict[Stream, RecentDeliveries] = defaultdict(RecentDeliveries)
        self.heard_by_broker_ms = 0
        self.silence_ms = silence_ms(connect.keep_alive)
        self.up = OrderedStream(conditions, connect.client_id)
        self._reorder = conditions.reorder
        self._down: defaultdict[Stream | None, OrderedStream] = defaultdict(
            lambda: OrderedStream(conditions, connect.client_id)
        )
        self._ids_from_client = count()
        self._ids_to_client = count()

    def down(self, stream: Stream | None = None) -> OrderedStream:
        """The way to the client: one for all, or one a stream where streams may overtake each other."""
        return self._down[stream if self._reorder else None]

    def next_id(self, direction: Direction) -> int:
        """The next packet identifier of one end, 1 to 65,535 (section 2.3.1)."""
        ids = self._ids_from_client if direction is Direction.FROM_NODE else self._ids_to_client
        return next(ids) % 65_535 + 1

    def sent(self, packet: Packet, fate: Fate = Fate.FORWARDED) -> None:
        """The client sent a packet."""
        self.book.enter(self, Direction.FROM_NODE, packet, fate)

    def got(self, packet: Packet, fate: Fate = Fate.FORWARDED) -> None:
        """A packet reached the client, or was lost on its way to it."""
        self.book.enter(self, Direction.TO_NODE, packet, fate)

    def got_publish(self, delivery: Delivery, packet_id: int | None) -> None:
        """A PUBLISH reached the client, which acknowledges it at once."""
        self.got(publish_packet(delivery, packet_id, dup=delivery.dup))
        if packet_id is not None:
            self.sent(Ack(Kind.PUBACK, packet_id))


def publish_packet(message: Publication | Delivery, packet_id: int | None, *, dup: bool = False) -> Publish:
    """A message as the packet that carries it."""
    return Publish(message.topic, message.payload, message.qos, message.retain, dup, packet_id)


def silence_ms(keep_alive_s: int) -> int:
    """The silence after which a connection counts as dead; 0 for never (section 3.1.2.10)."""
    keep_alives = specification().timing["silence"].value
    assert keep_alives is not None
    return int(keep_alives * keep_alive_s * 1000)
