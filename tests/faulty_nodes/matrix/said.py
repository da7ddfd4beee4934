"""A message of a node on its way out, open to what a breach makes of it."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from typing import Any

import cbor2

from protocol.codec import encode
from protocol.codec.shape import shape_for
from protocol.participant import Publication
from protocol.site import Encoding
from protocol.specification import specification
from protocol.topics import parse_topic
from protocol.validation import readable_body

FREE_KEY = 200
"""A key that no message has in CBOR."""


@dataclass(slots=True)
class Said:
    """One publication, by its parts."""

    topic: str
    message: str
    body: dict[str, Any]
    cbor: bool
    qos: int
    retain: bool
    tail: bytes = b""
    """Bytes behind the payload."""
    foreign: dict[str, Any] = field(default_factory=dict)
    """Fields with values, or of names, that the codec of the project does not write."""
    raw: bytes | None = None
    """The whole payload where it is none that a body gives."""

    @classmethod
    def of(cls, publication: Publication) -> Said:
        """The parts of a publication of a correct participant."""
        message = parse_topic(publication.topic).message
        body = readable_body(message, publication.payload)
        assert body is not None, publication
        cbor = publication.payload[:1] != b"{"
        return cls(publication.topic, message, body, cbor, publication.qos, publication.retain)

    def publication(self) -> Publication:
        """The publication that these parts make."""
        return Publication(self.topic, self._payload() + self.tail, self.qos, self.retain)

    def _payload(self) -> bytes:
        if self.raw is not None:
            return self.raw
        payload = encode(self.message, self.body, Encoding.CBOR if self.cbor else Encoding.JSON)
        if not self.foreign:
            return payload
        if self.cbor:
            keys = shape_for(self.message, self.body.get("act")).keys
            numbers = cbor2.loads(payload)
            numbers |= {keys.get(name, FREE_KEY): value for name, value in self.foreign.items()}
            return cbor2.dumps(numbers, canonical=True)
        whole = json.loads(payload) | self.foreign
        return json.dumps(whole, separators=(",", ":"), ensure_ascii=False).encode()

    @property
    def is_state(self) -> bool:
        """Whether it is the state of a machine."""
        return self.message in ("crane-status", "train-arrival", "shuttle-status")

    @property
    def plain(self) -> bytes:
        """The payload as it is so far."""
        return self._payload()


def is_job(act: object) -> bool:
    """Whether an act is a job."""
    return act in specification().jobs
