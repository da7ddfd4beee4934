"""Supervisors that write what no sender may write, or to whom they may not, and read what nobody may read."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import cbor2

from protocol.codec import encode
from protocol.participant import Delivery, Publication
from protocol.site import Encoding
from protocol.topics import Topic, parse_topic
from protocol.validation import read_message
from protocol.wire.evidence import LinkPacket
from protocol.wire.packet import Connect
from reference_node.supervisor.supervisor import Supervisor
from tests.faulty_supervisors.faulty import faulty

ROOM = 300


class Altering(Supervisor):
    """Everything that it publishes is altered on its way out."""

    def altered(self, message: str, publication: Publication) -> list[Publication]:
        raise NotImplementedError

    def _altered(self, out: Sequence[Publication]) -> list[Publication]:
        return [more for one in out for more in self.altered(parse_topic(one.topic).message, one)]

    def connected(self, now_ms: int) -> Sequence[Publication]:
        return self._altered(super().connected(now_ms))

    def receive(self, delivery: Delivery, now_ms: int) -> Sequence[Publication]:
        return self._altered(super().receive(delivery, now_ms))

    def tick(self, now_ms: int) -> Sequence[Publication]:
        return self._altered(super().tick(now_ms))


def read(message: str, publication: Publication) -> dict[str, Any]:
    body = read_message(message, publication.payload, closed=True).body
    assert body is not None
    return dict(body)


def order(one: Publication, body: dict[str, Any], encoding: Encoding) -> Publication:
    return replace(one, payload=encode("job-order", body, encoding))


def plain(body: dict[str, Any]) -> bytes:
    return json.dumps(body, separators=(",", ":")).encode()


# ---------------------------------------------------------------- to whom


@faulty("ENC-08", "supervisor-writes-as-read")
class WritesAsTheSiteFileSays(Altering):
    """Whatever a node itself says that it reads."""

    def altered(self, message: str, publication: Publication) -> list[Publication]:
        node = parse_topic(publication.topic).node
        if message != "job-order" or self.site.nodes[node].reads != "both":
            return [publication]
        return [order(publication, read(message, publication), Encoding.CBOR)]


class MindsNoBuffer(Supervisor):
    """What it takes a node's buffer to be is `room` more than the node says."""

    room = 0

    def _orders_due(self) -> list[Publication]:
        for session in self.sessions.values():
            status = session.words.get("node-status")
            if status is not None and "said" not in status:
                session.words["node-status"] = {**status, "buffer": status["buffer"] + self.room, "said": 1}
        return super()._orders_due()


@faulty("ENC-08", "supervisor-keeps-to-buffer")
class SendsWhatDoesNotFit(MindsNoBuffer):
    room = ROOM


@faulty("ENC-08", "supervisor-keeps-to-buffer")
class SendsOneByteTooMuch(MindsNoBuffer):
    room = 1


@faulty("HLD-06", "supervisor-to-all")
class AsksAllAtOnce(Altering):
    def altered(self, message: str, publication: Publication) -> list[Publication]:
        if message != "job-order" or read(message, publication)["act"] != "ask":
            return [publication]
        everyone = str(Topic(self.site.name, "all", "job-order"))
        return [publication, replace(publication, topic=everyone)]


@faulty("ENC-08", "supervisor-to-all")
class HoldsAllInJson(Altering):
    def altered(self, message: str, publication: Publication) -> list[Publication]:
        if message != "job-order" or read(message, publication)["act"] != "hold":
            return [publication]
        everyone = str(Topic(self.site.name, "all", "job-order"))
        held = order(publication, {"act": "hold"}, Encoding.JSON)
        return [publication, replace(held, topic=everyone)]


# ---------------------------------------------------------------- the link


@faulty("LNK-12", "supervisor-messages")
class MapsAreNotRetained(Altering):
    def altered(self, message: str, publication: Publication) -> list[Publication]:
        return [replace(publication, retain=publication.retain and message != "yard-map")]


@faulty("LNK-13", "supervisor-messages")
class RetainsItsOrders(Altering):
    def altered(self, message: str, publication: Publication) -> list[Publication]:
        return [replace(publication, retain=True)]


@faulty("LNK-19", "supervisor-messages")
class OrdersAtQosZero(Altering):
    def altered(self, message: str, publication: Publication) -> list[Publication]:
        return [replace(publication, qos=0)]


def _long_name(seen: LinkPacket) -> LinkPacket:
    if seen.from_node and isinstance(seen.packet, Connect):
        return replace(seen, packet=replace(seen.packet, client_id="y" * 80))
    return seen


@faulty("LNK-18", "supervisor-connect-size", distort=_long_name)
class HasALongName(Supervisor):
    """The client beneath it connects with a long identifier."""


# ---------------------------------------------------------------- bytes


@faulty("ENC-01", "supervisor-messages")
class EndsWithAZero(Altering):
    def altered(self, message: str, publication: Publication) -> list[Publication]:
        return (
            [replace(publication, payload=publication.payload + b"\x00")]
            if message == "yard-map"
            else [publication]
        )


@faulty("ENC-02", "supervisor-messages")
class SortsKeysBackwards(Altering):
    def altered(self, message: str, publication: Publication) -> list[Publication]:
        if publication.payload.startswith(b"{"):
            return [publication]
        keyed = cbor2.loads(publication.payload)
        return [replace(publication, payload=cbor2.dumps(dict(reversed(keyed.items()))))]


@faulty("ENC-03", "supervisor-messages")
class PutsBlanksInItsJson(Altering):
    def altered(self, message: str, publication: Publication) -> list[Publication]:
        if not publication.payload.startswith(b"{"):
            return [publication]
        return [replace(publication, payload=json.dumps(read(message, publication)).encode())]


@faulty("ENC-04", "supervisor-messages")
class CountsInFloats(Altering):
    def altered(self, message: str, publication: Publication) -> list[Publication]:
        if message != "yard-map":
            return [publication]
        body = read(message, publication)
        return [replace(publication, payload=plain(body | {"seq": float(body["seq"])}))]


@faulty("ENC-05", "supervisor-messages")
class CountsWithASign(Altering):
    def altered(self, message: str, publication: Publication) -> list[Publication]:
        if message != "yard-map":
            return [publication]
        return [replace(publication, payload=plain(read(message, publication) | {"seq": -1}))]


@faulty("ENC-06", "supervisor-messages")
class AddsAFieldOfItsOwn(Altering):
    def altered(self, message: str, publication: Publication) -> list[Publication]:
        if message != "yard-map":
            return [publication]
        return [replace(publication, payload=plain(read(message, publication) | {"mood": "good"}))]


@faulty("ENC-13", "supervisor-messages")
class EndsTopicsWithASlash(Altering):
    def altered(self, message: str, publication: Publication) -> list[Publication]:
        return (
            [replace(publication, topic=publication.topic + "/")]
            if message == "node-status"
            else [publication]
        )


@faulty("ENC-12", "supervisor-unreadable")
class OverlooksTails(Supervisor):
    def receive(self, delivery: Delivery, now_ms: int) -> Sequence[Publication]:
        half = delivery.payload[: len(delivery.payload) // 2]
        tail = delivery.payload[len(half) :]
        return super().receive(replace(delivery, payload=half) if half == tail else delivery, now_ms)
