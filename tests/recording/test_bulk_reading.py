"""The short way of reading gives what the long way gives, for valid messages and for bent ones."""

from __future__ import annotations

import json
from pathlib import Path
from random import Random
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

import protocol
from protocol.bulk_reading import BulkReader
from protocol.codec import encode
from protocol.site import Encoding
from protocol.specification import specification
from protocol.validation import read_publication
from tests.strategies import messages_and_bodies

READER = BulkReader()


def topic_of(message: str) -> str:
    place = "/siding" if message == "yard-map" else ""
    return f"{specification().root}/basin/north/{message}{place}"


def same(topic: str, payload: bytes) -> bool:
    """Whether both ways agree; gives whether the message is valid."""
    long = read_publication(topic, payload, retain=None, qos=None, short=False)
    assert READER.read(topic, payload) == long, payload
    return long.valid


@given(messages_and_bodies(), st.sampled_from(Encoding), st.randoms(use_true_random=False))
def test_valid_messages_and_mutants(
    drawn: tuple[str, dict[str, Any]], encoding: Encoding, chance: Random
) -> None:
    message, body = drawn
    payload = encode(message, body, encoding)
    topic = topic_of(message)
    if same(topic, payload):
        assert READER.decode(topic, payload) == body
    for _ in range(8):
        bent = bytearray(payload)
        for _ in range(chance.choice((1, 1, 2))):
            at = chance.randrange(len(bent))
            bent[at : at + chance.choice((0, 1, 1))] = chance.choice(
                (b"", b"\xf9", b"\x18\x01", b" ", b"1.0", b"\\u0041")
            )
        same(topic, bytes(bent))


def vectors() -> list[dict[str, Any]]:
    folder = Path(protocol.__file__).parent / "v1" / "vectors"
    return [row for file in sorted(folder.glob("*.json")) for row in json.loads(file.read_text())]


def test_every_published_vector() -> None:
    rows = vectors()
    assert rows
    verdicts = [
        same(topic_of(row["message"]), bytes.fromhex(row["hex"]) if "hex" in row else row["text"].encode())
        for row in rows
        if row.get("message") in specification().messages
    ]
    assert True in verdicts
    assert False in verdicts


@pytest.mark.parametrize(
    "payload",
    [
        b"",
        b"{}",
        b"\xa0",
        b'{"act":"ask","token":1.0}',
        b'{"act":"ask","token":1,"token":1}',
        b'{"act":"ask","token":1e0}',
        b'{"act":"ask", "token":1}',
        b"\xa2\x02\x00\x10\xf9\x3c\x00",
        b"\xa2\x10\x01\x02\x00",
        b"\xa2\x02\x00\x10\x18\x01",
        b"\xa2\x02\xf4\x10\x01",
        b"\xa2\x02\x00\x10\x01\x00",
        b"\xa2\x02\x00\x10\xc2\x41\x01",
        b"\xbf\x02\x00\x10\x01\xff",
        b"\xa2\x02\x20\x10\x01",
    ],
)
def test_payloads_that_a_hasty_reader_takes(payload: bytes) -> None:
    same(topic_of("job-order"), payload)
    same(f"{specification().root}/basin/all/job-order", payload)
    same("yw1/basin/north/job-orders", payload)


def test_a_valid_order_to_all_that_is_no_hold_is_still_found() -> None:
    assert not same(f"{specification().root}/basin/all/job-order", b"\xa2\x02\x00\x10\x01")
    assert same(topic_of("job-order"), b"\xa2\x02\x00\x10\x01")
