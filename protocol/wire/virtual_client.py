"""The client's end of the virtual bus: an MQTT client and the main loop around it."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from protocol.participant import Delivery, Participant, Publication
from protocol.wire.back_off import BackOff
from protocol.wire.evidence import ClosedBy, Direction, Fate
from protocol.wire.packet import Connect, Disconnect, Kind, Ping, Subscribe, Subscription, Will
from protocol.wire.parting import parting_of
from protocol.wire.virtual_broker import LossModel, VirtualBroker
from protocol.wire.virtual_link import Link, LinkConditions, PacketLog, publish_packet
from protocol.wire.virtual_time import Timer


class VirtualClient:
    """Runs one participant: connects, subscribes, receives, publishes, ticks, pings, connects again."""

    def __init__(
        self,
        participant: Participant,
        broker: VirtualBroker,
        book: PacketLog,
        conditions: LinkConditions,
        chance: LossModel,
    ) -> None:
        self.client_id = participant.client_id
        self.up = False
        self._participant = participant
        self._time = conditions.time
        self._conditions = conditions
        self._broker = broker
        self._book = book
        self._chance = chance
        self._link: Link | None = None
        self._early: list[Delivery] = []
        self._back_off = BackOff()
        self._running = False
        self._retry: Timer | None = None
        self._ticking: Timer | None = None
        self._last_in_ms = 0
        self._last_out_ms = 0

    def start(self) -> None:
        """Connect for the first time; ticks begin."""
        self._running = True
        self._connect()
        self._plan_tick(self._time.now_ms)

    def die(self) -> None:
        """Stop without a word, as if power was cut."""
        self._halt()
        if self._link is not None:
            self._link.client_open = False

    def leave(self) -> None:
        """Say the parting message and DISCONNECT, then stop."""
        now_ms, link = self._time.now_ms, self._link
        if link is not None and self.up:
            self._publish(parting_of(self._participant, now_ms))
            link.sent(Disconnect())
            link.up.send(lambda: self._broker.leave(link))
        self._halt()
        self._close(ClosedBy.NODE)

    def sever(self) -> None:
        """The connection breaks and both ends see it."""
        link = self._link
        if link is not None:
            self._broker.lose(link)
            self._lost(ClosedBy.LINK)

    def call(self, work: Callable[[Participant, int], Sequence[Publication]]) -> bool:
        """Let somebody else use the participant; gives whether the link is up."""
        now_ms = self._time.now_ms
        self._publish(work(self._participant, now_ms))
        self._plan_tick(now_ms)
        return self.up

    # ------------------------------------------------------------ connecting
    def _connect(self) -> None:
        if self._conditions.is_cut(self.client_id):
            self._connect_later()
            return
        wish, will = self._participant, self._participant.will()
        connect = Connect(
            protocol="MQTT",
            level=4,
            client_id=wish.client_id,
            clean_session=True,  # [LNK-01]
            keep_alive=wish.keep_alive_s,
            will=Will(will.topic, will.payload, will.qos, will.retain) if will else None,
            user=None,
            password_size=None,
        )
        link = Link(self, connect, self._book, self._conditions)
        self._link = link
        self._early = []
        self._last_in_ms = self._last_out_ms = self._time.now_ms
        link.sent(connect)
        link.up.send(lambda: self._broker.accept(link))
        self._watch(link)

    def on_connack(self, link: Link) -> None:
        """Subscribe, before anything is published [LNK-07]."""
        self._heard()
        wanted = tuple(Subscription(one, qos, qos) for one, qos in self._participant.subscriptions())
        if not wanted:
            self._become_up()
            return
        packet = Subscribe(link.next_id(Direction.FROM_NODE), wanted)
        self._sent()
        link.sent(packet)
        link.up.send(lambda: self._broker.subscribe(link, packet))

    def on_suback(self, link: Link) -> None:
        """The link is up: the first message of the connection can go out [LNK-08]."""
        self._heard()
        self._become_up()

    def _become_up(self) -> None:
        now_ms = self._time.now_ms
        self.up = True
        self._back_off.reset()
        self._publish(self._participant.connected(now_ms))
        early, self._early = self._early, []
        for delivery in early:
            self._receive(delivery)
        self._plan_tick(now_ms)

    def on_closed(self, link: Link) -> None:
        """The broker has closed the connection."""
        self._lost(ClosedBy.BROKER)

    def _lost(self, by: ClosedBy) -> None:
        self._close(by)
        if self._running:
            self._connect_later()
            self._plan_tick(self._time.now_ms)

    def _connect_later(self) -> None:
        self._retry = self._time.call_in(self._back_off.next_ms(), self._connect)

    def _close(self, by: ClosedBy) -> None:
        if self._link is not None:
            self._link.client_open = False
            self._book.close(self._link, by)
        self._link = None
        was_up, self.up = self.up, False
        if was_up:
            self._participant.disconnected(self._time.now_ms)

    def _halt(self) -> None:
        self._running = False
        for timer in (self._retry, self._ticking):
            if timer is not None:
                timer.cancel()

    # ------------------------------------------------------------ messages
    def on_publish(self, link: Link, delivery: Delivery) -> None:
        """Hand a message to the participant; one that comes before SUBACK waits for `connected`."""
        self._heard()
        if self.up:
            self._receive(delivery)
            self._plan_tick(self._time.now_ms)
        else:
            self._early.append(delivery)

    def on_control(self, link: Link) -> None:
        """PUBACK or PINGRESP: the broker lives."""
        self._heard()

    def _receive(self, delivery: Delivery) -> None:
        self._publish(self._participant.receive(delivery, self._time.now_ms))

    def _publish(self, publications: Sequence[Publication]) -> None:
        """Send; without a link nothing is kept for later, as state messages come again anyway."""
        for publication in publications:
            if publication.qos not in (0, 1):
                raise ValueError(f"{publication.topic}: QoS {publication.qos}, the bus knows 0 and 1")
            if self._link is not None and self.up:
                self._send(self._link, publication)

    def _send(self, link: Link, publication: Publication) -> None:
        packet_id = link.next_id(Direction.FROM_NODE) if publication.qos else None
        lost = self._chance.loses(publication.qos)
        link.sent(publish_packet(publication, packet_id), Fate.DROPPED if lost else Fate.FORWARDED)
        self._sent()
        if not lost:
            link.up.send(lambda: self._broker.publish(link, publication, packet_id))

    # ------------------------------------------------------------ time
    def _plan_tick(self, earliest_ms: int) -> None:
        """Ask again when the participant wants its next tick, and be there."""
        due_ms = self._participant.next_tick(self._time.now_ms) if self._running else None
        if due_ms is not None:
            due_ms = max(due_ms, earliest_ms)
        planned = self._ticking
        if planned is not None and planned.open:
            if planned.when_ms == due_ms:
                return
            planned.cancel()
        self._ticking = None if due_ms is None else self._time.call_at(due_ms, self._tick)

    def _tick(self) -> None:
        now_ms = self._time.now_ms
        self._publish(self._participant.tick(now_ms))
        self._plan_tick(now_ms + 1)

    def _heard(self) -> None:
        self._last_in_ms = self._time.now_ms

    def _sent(self) -> None:
        self._last_out_ms = self._time.now_ms

    def _watch(self, link: Link) -> None:
        """Ping well within the keep-alive [LNK-03]; give up after one and a half of silence."""
        if not link.client_open or not link.silence_ms:
            return
        now_ms, ping_after_ms = self._time.now_ms, link.silence_ms // 2
        if now_ms >= self._last_in_ms + link.silence_ms:
            link.up.send(lambda: self._broker.lose(link))
            self._lost(ClosedBy.NODE)
            return
        quiet_since_ms = min(self._last_in_ms, self._last_out_ms)
        if now_ms >= quiet_since_ms + ping_after_ms and self.up:
            self._ping(link)
        next_ms = min(self._last_in_ms + link.silence_ms, now_ms + ping_after_ms)
        if quiet_since_ms + ping_after_ms > now_ms:
            next_ms = min(next_ms, quiet_since_ms + ping_after_ms)
        self._time.call_at(next_ms, lambda: self._watch(link))

    def _ping(self, link: Link) -> None:
        self._sent()
        link.sent(Ping(Kind.PINGREQ))
        link.up.send(lambda: self._broker.ping(link))
