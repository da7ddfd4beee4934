"""The broker of the virtual bus: MQTT 3.1.1 (its sections are cited) at QoS 0 and 1, clean sessions."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import lru_cache, partial
from random import Random

from paho.mqtt.client import topic_matches_sub

from protocol.participant import Delivery, Publication
from protocol.wire.evidence import ClosedBy, Direction, Fate
from protocol.wire.packet import Ack, Connack, Granted, Kind, Packet, Ping, Subscribe
from protocol.wire.virtual_link import Link, Stream, publish_packet
from protocol.wire.virtual_time import VirtualTime

REPEAT_WITHIN_MS = 500
REPEAT_BACK = 3
"""A repeat comes at most so much later, and starts at most so many deliveries back."""

matches = lru_cache(maxsize=65_536)(topic_matches_sub)
"""Whether a topic filter (first) matches a topic (section 4.7)."""

Intercept = Callable[[str, str, Publication], list[tuple[int, Publication]] | None]
"""Sender, receiver and publication to None (let it pass) or the deliveries, each after a delay in ms."""


@dataclass(frozen=True, slots=True)
class LogEntry:
    """One publication as it reached the broker, wills included; `at_ms` is virtual time."""

    at_ms: int
    sender: str
    topic: str
    payload: bytes
    qos: int
    retain: bool
    will: bool = False


@dataclass(frozen=True, slots=True)
class LossModel:
    """How unkind the links are: probabilities from 0 to 1."""

    rng: Random
    loss: float
    repeat: float

    def loses(self, qos: int) -> bool:
        """Whether the next message of one leg is lost; never at QoS 1."""
        return qos == 0 and self.loss > 0 and self.rng.random() < self.loss

    def repeats(self) -> bool:
        """Whether the next delivery at QoS 1 will come again."""
        return self.repeat > 0 and self.rng.random() < self.repeat


def delivery_of(publication: Publication) -> Delivery:
    """A publication as its receiver gets it."""
    return Delivery(publication.topic, publication.payload, publication.qos, publication.retain)


class VirtualBroker:
    """Sessions, retained messages, wills. Every method is called when a packet has reached the broker."""

    def __init__(self, time: VirtualTime, chance: LossModel) -> None:
        self._time = time
        self._chance = chance
        self._sessions: dict[str, Link] = {}
        self._retained: dict[str, tuple[str, Publication]] = {}
        self.log: list[LogEntry] = []
        self.intercept: Intercept | None = None

    @property
    def retained(self) -> dict[str, Publication]:
        """Topic to retained message; a copy."""
        return {topic: publication for topic, (_, publication) in self._retained.items()}

    def accept(self, link: Link) -> None:
        """CONNECT. A client with the same identifier is thrown off first [MQTT-3.1.4-2]."""
        old = self._sessions.get(link.client_id)
        if old is not None:
            self._close(old, ClosedBy.BROKER)
        link.broker_open = True
        self._sessions[link.client_id] = link
        self._heard(link)
        self._watch(link)
        self._send_control(link, Connack(session_present=False, code=0), link.client.on_connack)

    def subscribe(self, link: Link, packet: Subscribe) -> None:
        """SUBSCRIBE: grants it, then sends what is retained with the retain flag set [MQTT-3.3.1-8]."""
        if not self._heard(link):
            return
        codes = tuple(one.qos for one in packet.subscriptions)
        self._send_control(link, Granted(Kind.SUBACK, packet.packet_id, codes), link.client.on_suback)
        for one in packet.subscriptions:
            link.subscriptions[one.filter] = one.qos
            for topic, (sender, publication) in list(self._retained.items()):
                if matches(one.filter, topic):
                    self._deliver(link, sender, publication, one.qos, retain=True)

    def publish(self, link: Link, publication: Publication, packet_id: int | None) -> None:
        """PUBLISH of a client, acknowledged at QoS 1."""
        if not self._heard(link):
            return
        if packet_id is not None:
            self._send_control(link, Ack(Kind.PUBACK, packet_id), link.client.on_control)
        self.spread(link.client_id, publication)

    def ping(self, link: Link) -> None:
        """PINGREQ, answered by PINGRESP [MQTT-3.12.4-1]."""
        if self._heard(link):
            self._send_control(link, Ping(Kind.PINGRESP), link.client.on_control)

    def leave(self, link: Link) -> None:
        """DISCONNECT: the will is discarded [MQTT-3.1.2-10]."""
        if link.broker_open:
            link.broker_open = False
            del self._sessions[link.client_id]

    def lose(self, link: Link) -> None:
        """The connection broke, or was closed without DISCONNECT: the will is sent [MQTT-3.1.2-8]."""
        if link.broker_open:
            self._close(link, ClosedBy.LINK)

    def spread(self, sender: str, publication: Publication, *, will: bool = False) -> None:
        """Keep it if it is retained, and deliver it to all who subscribed."""
        now_ms, p = self._time.now_ms, publication
        self.log.append(LogEntry(now_ms, sender, p.topic, p.payload, p.qos, p.retain, will))
        if p.retain and p.payload:
            self._retained[p.topic] = (sender, p)
        elif p.retain:
            self._retained.pop(p.topic, None)  # [MQTT-3.3.1-10]
        for link in list(self._sessions.values()):
            granted = [qos for one, qos in link.subscriptions.items() if matches(one, p.topic)]
            if granted:
                # Overlapping filters: once, at their highest QoS [MQTT-3.3.5-1]; no flag [MQTT-3.3.1-9].
                self._deliver(link, sender, p, max(granted), retain=False)

    def _deliver(
        self, link: Link, sender: str, publication: Publication, granted: int, *, retain: bool
    ) -> None:
        # The lower of both [MQTT-3.8.4-6].
        publication = replace(publication, qos=min(publication.qos, granted), retain=retain)
        scripted = self.intercept(sender, link.client_id, publication) if self.intercept else None
        if scripted is not None:
            for delay_ms, one in scripted:
                self._time.call_in(
                    delay_ms, partial(self._arrive, link, delivery_of(one), self._id(link, one))
                )
            if not scripted:
                self._dropped(link, publication)
        elif self._chance.loses(publication.qos):
            self._dropped(link, publication)
        else:
            self._send(link, sender, publication)

    def _send(self, link: Link, sender: str, publication: Publication) -> None:
        stream = (sender, publication.topic, publication.qos)
        packet_id = self._id(link, publication)
        link.down(stream).send(partial(self._arrive, link, delivery_of(publication), packet_id))
        if packet_id is None:
            return
        history = link.histories[stream]
        number = history.add(publication, packet_id)
        if self._chance.repeats():
            first = max(0, number + 1 - self._chance.rng.randint(1, REPEAT_BACK))
            delay_ms = self._chance.rng.randint(0, REPEAT_WITHIN_MS)
            self._time.call_in(delay_ms, lambda: self._repeat(link, stream, first))

    def _repeat(self, link: Link, stream: Stream, first: int) -> None:
        """Send everything from delivery `first` on again, in order, so that 1,2,3,2,3,4 comes about (4.6)."""
        if link.broker_open:
            for publication, packet_id in link.histories[stream].since(first):
                again = replace(delivery_of(publication), dup=True)  # [MQTT-3.3.1-1]
                link.down(stream).send(partial(self._arrive, link, again, packet_id))

    def _arrive(self, link: Link, delivery: Delivery, packet_id: int | None) -> None:
        if not link.client_open:
            return
        link.got_publish(delivery, packet_id)
        if packet_id is not None:
            link.heard_by_broker_ms = self._time.now_ms
        link.client.on_publish(link, delivery)

    def _dropped(self, link: Link, publication: Publication) -> None:
        link.got(publish_packet(publication, self._id(link, publication)), Fate.DROPPED)

    def _id(self, link: Link, publication: Publication) -> int | None:
        return link.next_id(Direction.TO_NODE) if publication.qos else None

    def _send_control(self, link: Link, packet: Packet, arrived: Callable[[Link], object]) -> None:
        def arrive() -> None:
            if link.client_open:
                link.got(packet)
                arrived(link)

        link.down().send(arrive)

    def _heard(self, link: Link) -> bool:
        """Note a sign of life; False when the broker has closed this connection before."""
        link.heard_by_broker_ms = self._time.now_ms
        return link.broker_open

    def _watch(self, link: Link) -> None:
        """Close the connection after one and a half keep-alives of silence [MQTT-3.1.2-24]."""
        if not link.broker_open or not link.silence_ms:
            return
        due_ms = link.heard_by_broker_ms + link.silence_ms
        if due_ms > self._time.now_ms:
            self._time.call_at(due_ms, lambda: self._watch(link))
        else:
            self._close(link, ClosedBy.BROKER)

    def _close(self, link: Link, by: ClosedBy) -> None:
        self.leave(link)
        link.book.close(link, by)
        link.down().send(lambda: link.client.on_closed(link) if link.client_open else None)
        will = link.connect.will
        if will is not None:
            publication = Publication(will.topic, will.payload, will.qos, will.retain)
            self.spread(link.client_id, publication, will=True)
