"""What has to hold of our decoders whatever the bytes are."""

from __future__ import annotations

from conformance.bench.mqtt.packets import V5, V311, decode_or_explain
from protocol.bulk_reading import BulkReader
from protocol.codec import encode
from protocol.site import Encoding
from protocol.topics import Topic
from protocol.validation import read_message, read_publication

BULK = BulkReader()


def payload_is_judged(message: str, payload: bytes) -> None:
    """No exception; a body or a reason; one way to write a valid one; the quick reader says the same."""
    for closed in (True, False):
        reading = read_message(message, payload, closed=closed)
        assert reading.readable or reading.findings, payload.hex()
        for finding in reading.findings:
            str(finding).encode("utf-8")
        if closed and reading.valid and reading.encoding is Encoding.CBOR:
            assert reading.body is not None
            assert encode(message, reading.body, Encoding.CBOR) == payload
    topic = str(Topic("harlow-basin", "north", message))
    assert BULK.read(topic, payload) == read_publication(topic, payload, retain=None, qos=None, short=False)


def packet_is_told(raw: bytes) -> None:
    """A packet, or words for why it is none; never an exception."""
    for version in (V311, V5):
        decode_or_explain(raw, version)
