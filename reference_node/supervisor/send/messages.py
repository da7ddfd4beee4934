"""How a supervisor writes: orders in the encoding that a node reads, and its own messages."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from protocol.codec import encode
from protocol.counting import UPTIME_MODULUS, next_count
from protocol.participant import Delivery, Publication
from protocol.site import Encoding, NodeSite, Site
from protocol.sizes import publish_size
from protocol.specification import specification
from protocol.topics import NotATopic, Topic, parse_topic
from protocol.validation import read_message, read_publication
from reference_node.envelope import FIRMWARE
from reference_node.supervisor.observe.session import Session

Body = Mapping[str, Any]

SUBSCRIBED = ("node-status", "train-arrival", "shuttle-status", "crane-status", "fault", "job-report")


class TooLarge(Exception):
    """An order that its node could not take in [ENC-08]."""


@dataclass(frozen=True, slots=True)
class ReadMessage:
    """A message that was read: who says what."""

    topic: Topic
    body: Body
    retain: bool


def order_to(site: Site, session: Session, body: Body) -> Publication:
    """The publication of an order; raises TooLarge for one over the node's receive buffer [ENC-08]."""
    said = session.words.get("node-status", {})
    reads, room = said.get("reads", session.node.reads), int(said.get("buffer", session.node.buffer))
    topic = str(Topic(site.name, session.name, "job-order"))
    payload = encode("job-order", body, Encoding.JSON if reads == "json" else Encoding.CBOR)
    size = publish_size(len(topic.encode()), len(payload), qos=1)
    if size > room:
        raise TooLarge(f"{body['act']} for {session.name} takes {size} bytes; its buffer holds {room}")
    return Publication(topic, payload, qos=1, retain=False)


def flaws_of(site: Site, session: Session, body: Body) -> str:
    """Why `body` cannot be sent to its node: not valid as a sender's message, or over its buffer; '' if it can."""
    try:
        publication = order_to(site, session, body)
    except (TooLarge, KeyError, TypeError, ValueError, OverflowError) as error:
        return str(error)
    reading = read_publication(publication.topic, publication.payload, retain=False, qos=publication.qos)
    return "; ".join(
        f"{finding.where}: {finding.what} [{finding.requirement}]" for finding in reading.findings
    )


def hold_for(site: Site, node: str, reads: str, token: int | None = None) -> Publication:
    """A hold of one node, or of 'all'; `token` tells it from other holds."""
    body = {"act": "hold"} if token is None else {"act": "hold", "token": token}
    payload = encode("job-order", body, Encoding.JSON if reads == "json" else Encoding.CBOR)
    return Publication(str(Topic(site.name, node, "job-order")), payload, qos=1, retain=False)


def read_delivery(site: Site, delivery: Delivery) -> ReadMessage | None:
    """What a delivery says, read as tolerantly as a receiver has to; None for what is not for this site."""
    try:
        topic = parse_topic(delivery.topic)
    except NotATopic:
        return None
    if topic.site != site.name or topic.node not in site.nodes or not delivery.payload:
        return None
    reading = read_message(topic.message, delivery.payload, closed=False)
    return ReadMessage(topic, reading.body, delivery.retain) if reading.body is not None else None


class OwnMessages:
    """The supervisor's own messages: counts, uptime, encoding."""

    def __init__(self, site: Site, node: NodeSite, boot: int, started_ms: int) -> None:
        self.site, self.node, self.boot = site, node, boot
        self.link = 0
        self._started_ms = started_ms
        self._status_ms: int | None = None
        self._seq: dict[Topic, int] = {}

    def subscriptions(self) -> tuple[tuple[str, int], ...]:
        """What every node of the site says, and the yard-map of this supervisor's own life before."""
        prefix = f"{specification().root}/{self.site.name}"
        return (
            *((f"{prefix}/+/{message}", 1) for message in SUBSCRIBED),
            (f"{prefix}/{self.node.name}/yard-map/+", 1),
        )

    def will(self) -> Publication:
        """Boot, count of the connection to come, 'off' [LNK-04]."""
        return self._off(next_count(self.link))

    def parting(self) -> Publication:
        """What is published before a disconnect on purpose [LNK-16]."""
        return self._off(self.link)

    def _off(self, link: int) -> Publication:
        body = {"boot": self.boot, "link": link, "state": "off"}
        return self._publication(Topic(self.site.name, self.node.name, "node-status"), body)

    def status(self, now_ms: int) -> Publication:
        """Who is there [MSG-12]; a supervisor takes no orders, so its mark stays 0."""
        self._status_ms = now_ms
        return self._counted(
            "node-status",
            {
                "mark": 0, "state": "on", "link": self.link, "roles": list(self.node.roles),
                "firmware": self.node.firmware or FIRMWARE, "minor": specification().minor, "reads": self.node.reads,
                "reset": "unknown", "bench": False, "digest": self.node.digest, "buffer": self.node.buffer,
            },
            now_ms,
        )  # fmt: skip

    def status_due(self, now_ms: int, tick_ms: int) -> list[Publication]:
        """Its status again, in time though it is looked at only every `tick_ms`."""
        repeat = specification().most_ms("status_repeat")
        late = self._status_ms is not None and now_ms - self._status_ms >= repeat - tick_ms * 2
        return [self.status(now_ms)] if late else []

    def yard_map(self, place: str, body: Body, now_ms: int) -> Publication:
        """One place as the supervisor holds it to be."""
        return self._counted("yard-map", body, now_ms, place)

    def _counted(self, message: str, body: Body, now_ms: int, place: str = "") -> Publication:
        topic = Topic(self.site.name, self.node.name, message, place)
        seq = self._seq[topic] = next_count(self._seq[topic]) if topic in self._seq else 0
        uptime = (now_ms - self._started_ms) % UPTIME_MODULUS
        return self._publication(topic, {"boot": self.boot, "seq": seq, "uptime": uptime, **body})

    def _publication(self, topic: Topic, body: Body) -> Publication:
        retain = specification().topics[topic.message].retain
        return Publication(str(topic), encode(topic.message, body, self.node.writes), self.node.qos, retain)
