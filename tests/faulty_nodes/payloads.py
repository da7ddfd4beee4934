"""Nodes that are wrong in their bytes: in what they write and in how they read."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any, ClassVar

import cbor2

from protocol.guards import Order
from protocol.participant import Delivery, Publication
from protocol.validation import read_message
from reference_node.controller.controller import Controller
from reference_node.controller.inbox import Inbox
from reference_node.envelope import Envelope
from tests.faulty_nodes.faulty import faulty


class _Rewritten(Envelope):
    """Writes payloads in a way of its own."""

    def bare(self, message: str, body: Mapping[str, Any]) -> Publication:
        publication = super().bare(message, body)
        return publication if "link" in body else self.rewritten(message, publication, dict(body))

    def rewritten(self, message: str, publication: Publication, body: dict[str, Any]) -> Publication:
        return publication


@faulty("ENC-01", "encoding-one-item")
class EndsWithAZero(Controller):
    class envelope_class(_Rewritten):  # noqa: N801
        def rewritten(self, message: str, publication: Publication, body: dict[str, Any]) -> Publication:
            if message != "fault":
                return publication
            return replace(publication, payload=publication.payload + b"\x00")


@faulty("ENC-02", "encoding-deterministic")
class SortsKeysBackwards(Controller):
    class envelope_class(_Rewritten):  # noqa: N801
        def rewritten(self, message: str, publication: Publication, body: dict[str, Any]) -> Publication:
            keyed = cbor2.loads(publication.payload)
            return replace(publication, payload=cbor2.dumps(dict(reversed(keyed.items()))))


@faulty("ENC-03", "encoding-plain-json", node="ferry")
class PutsBlanksInItsJson(Controller):
    class envelope_class(_Rewritten):  # noqa: N801
        def rewritten(self, message: str, publication: Publication, body: dict[str, Any]) -> Publication:
            return replace(publication, payload=json.dumps(body).encode())


@faulty("ENC-04", "encoding-integers", node="ferry")
class CountsInFloats(Controller):
    class envelope_class(_Rewritten):  # noqa: N801
        def rewritten(self, message: str, publication: Publication, body: dict[str, Any]) -> Publication:
            if message != "fault":
                return publication
            body["faults"] = float(body["faults"])
            return replace(publication, payload=json.dumps(body, separators=(",", ":")).encode())


@faulty("ENC-05", "encoding-ranges", node="ferry")
class CountsFaultsInSixteenBitsSigned(Controller):
    class envelope_class(_Rewritten):  # noqa: N801
        def rewritten(self, message: str, publication: Publication, body: dict[str, Any]) -> Publication:
            if message != "fault":
                return publication
            body["faults"] -= 1
            return replace(publication, payload=json.dumps(body, separators=(",", ":")).encode())


@faulty("ENC-06", "encoding-fields", node="ferry")
class AddsAFieldOfItsOwn(Controller):
    class envelope_class(_Rewritten):  # noqa: N801
        def rewritten(self, message: str, publication: Publication, body: dict[str, Any]) -> Publication:
            body["mood"] = "good"
            return replace(publication, payload=json.dumps(body, separators=(",", ":")).encode())


@faulty("ENC-13", "encoding-topics")
class EndsTopicsWithASlash(Controller):
    class envelope_class(_Rewritten):  # noqa: N801
        def rewritten(self, message: str, publication: Publication, body: dict[str, Any]) -> Publication:
            return replace(publication, topic=publication.topic + "/") if message == "fault" else publication


@faulty("ENC-09", "encoding-unknown-fields")
class ChokesOnUnknownFields(Controller):
    class inbox_class(Inbox):  # noqa: N801
        def read(self, delivery: Delivery) -> Order | None:
            return (
                None
                if read_message("job-order", delivery.payload, closed=True).findings
                else super().read(delivery)
            )


@faulty("ENC-12", "encoding-tails")
class OverlooksTails(Controller):
    class inbox_class(Inbox):  # noqa: N801
        def read(self, delivery: Delivery) -> Order | None:
            for end in range(len(delivery.payload), 0, -1):
                order = super().read(replace(delivery, payload=delivery.payload[:end]))
                if order is not None:
                    return order
            return None


@faulty("ENC-10", "encoding-unreadable")
class RefusesWhatItCannotRead(Controller):
    class inbox_class(Inbox):  # noqa: N801
        last: ClassVar[int] = 0

        def read(self, delivery: Delivery) -> Order | None:
            order = super().read(delivery)
            if order is None:
                return {"act": "claim", "boot": 0, "id": 1}
            return order


@faulty("ENC-07", "encoding-sizes")
class SaysMoreThanFits(Controller):
    """Adds a field of its own to fault, which is then longer than a JSON message may be."""

    class envelope_class(Envelope):  # noqa: N801
        def bare(self, message: str, body: Mapping[str, Any]) -> Publication:
            said = super().bare(message, body)
            if message != "fault":
                return said
            return replace(said, payload=said.payload[:-1] + b',"note":"' + 300 * b"n" + b'"}')


@faulty("ENC-14", "encoding-other-writing")
class ObeysHalfOfWhatItRefuses(Controller):
    """Refuses keys out of order only once it has come to the end of the map: the mark is raised by then."""

    def receive(self, delivery: Delivery, now_ms: int) -> Sequence[Publication]:
        found = read_message("job-order", delivery.payload, closed=True).findings
        if not any(one.requirement in ("ENC-02", "ENC-03") for one in found):
            return super().receive(delivery, now_ms)
        order = read_message("job-order", delivery.payload, closed=False).body
        if order is not None and order.get("boot") == self.boot:
            self.raise_mark(order["id"])
        return super().receive(replace(delivery, payload=b"{"), now_ms)
