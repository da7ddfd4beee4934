"""Messages of a recording as they have to be to be said again: other boots, counts from 0, retained as they were."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from protocol.bulk_reading import BulkReader
from protocol.codec import encode
from protocol.counting import COUNT_MODULUS
from protocol.participant import Publication
from protocol.recording import RecordedMessage
from protocol.specification import specification

FOREIGN_BOOTS = {"berth_boot": "train-arrival", "shuttle_boot": "shuttle-status"}
"""Fields of an order that name the boot of another node, and the message by which that node is known."""


class Restamp:
    """Turns recorded messages into publications."""

    def __init__(self, boots: Mapping[str, int] | None = None, *, renumber: bool = False) -> None:
        """`boots` are new boots by node; with `renumber` every topic's seq counts from 0."""
        self._boots = dict(boots or {})
        self._renumber = renumber
        self._seqs: dict[str, int] = {}
        self._reader = BulkReader()
        self._says: dict[str, set[str]] = {}
        """Message to the nodes that have said it."""

    def publication(self, item: RecordedMessage) -> Publication:
        """The message to be published. A broker clears the retain flag of what it passes on, so it is set here
        by the rule of the topic. What cannot be read is published byte for byte.
        """
        topic = self._reader.topic(item.topic)
        retain = item.retain if topic is None else specification().topics[topic.message].retain
        payload = item.payload
        if topic is not None and (self._boots or self._renumber):
            self._says.setdefault(topic.message, set()).add(topic.node)
            reading = self._reader.read(item.topic, payload)
            if reading.body is not None and reading.encoding is not None and not reading.findings:
                body = self._stamped(topic.node, topic.message, item.topic, dict(reading.body))
                payload = encode(topic.message, body, reading.encoding)
        return Publication(item.topic, payload, item.qos, retain)

    def _stamped(self, node: str, message: str, topic: str, body: dict[str, Any]) -> dict[str, Any]:
        boot = self._boots.get(node)
        if boot is not None:
            body.update({name: boot for name in ("boot", "order_boot") if name in body})
        for name, said in FOREIGN_BOOTS.items():
            boots = [self._boots[other] for other in self._says.get(said, ()) if other in self._boots]
            if name in body and boots:
                body[name] = boots[0]
        if "rests_on" in body:
            body["rests_on"] = [
                [name, self._boots.get(name, was), mark] for name, was, mark in body["rests_on"]
            ]
        if self._renumber and "seq" in body:
            body["seq"] = self._seqs.get(topic, 0)
            self._seqs[topic] = (body["seq"] + 1) % COUNT_MODULUS
        return body
