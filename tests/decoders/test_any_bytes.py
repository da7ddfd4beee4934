"""Every way to read a payload gives the same verdict on any bytes; `make bench ARGS=readers` tries a million."""

from __future__ import annotations

import pytest

from protocol.bulk_reading import BulkReader
from protocol.site import Encoding
from protocol.topics import Topic
from protocol.validation import read_message, read_publication
from tests.decoders.any_bytes import disagreement, payloads

SEED = 1
NUMBER = 20_000
ORDERS = str(Topic("harlow-basin", "north", "job-order"))
STATUS = str(Topic("harlow-basin", "north", "crane-status"))
ITSELF = bytes.fromhex("a2 02 00 10 d81c 81 d81d 00")
"""A token that is an array which holds itself: a shared reference as the tags 28 and 29 have it."""


@pytest.mark.slow
def test_all_ways_to_read_agree() -> None:
    reader = BulkReader()
    verdicts = set()
    for topic, payload in payloads(SEED, NUMBER):
        assert not disagreement(reader, topic, payload), (topic, payload.hex())
        reading = reader.read(topic, payload)
        verdicts.add((reading.valid, reading.readable, reading.encoding))
    told = {(True, True, Encoding.CBOR), (True, True, Encoding.JSON), (False, True, Encoding.CBOR)}
    assert verdicts >= told | {(False, False, Encoding.JSON), (False, False, None)}


@pytest.mark.parametrize(
    "key", ["e2", "f5", "f4", "f6", "f93c00"], ids=["simple", "true", "false", "null", "float"]
)
def test_a_key_is_an_integer_everywhere(key: str) -> None:
    """`e2` is the simple value 2 and `f5` is true, which Python takes for the integers 2 and 1."""
    payload = bytes.fromhex(f"a1{key}02")
    assert not BulkReader().read(ORDERS, payload).valid
    assert not disagreement(BulkReader(), ORDERS, payload)


@pytest.mark.parametrize(
    "payload", [b"0", b"1", b"\x01", b"\xf6", b"\x80", b"[1]", b'"a"', b"\xc1\x00", b"null"]
)
def test_what_is_no_map_has_no_body(payload: bytes) -> None:
    for topic in (ORDERS, STATUS):
        assert BulkReader().decode(topic, payload) is None


def test_an_array_that_holds_itself_is_told() -> None:
    for closed in (True, False):
        findings = read_message("job-order", ITSELF, closed=closed).findings
        assert "the tag 28" in str(findings[0])
    assert not BulkReader().read(ORDERS, ITSELF).valid
    assert BulkReader().decode(ORDERS, ITSELF) is None


def test_a_field_of_a_later_version_hides_no_message() -> None:
    """Whoever asks who is there must hear a node that says more than this kit knows [ENC-09]."""
    later = bytes.fromhex("a3 02 00 10 01 18 63 00")
    reading = read_publication(ORDERS, later, retain=None, qos=None)
    assert reading.readable
    assert not reading.valid
    assert BulkReader().decode(ORDERS, later) == {"act": "ask", "token": 1} == reading.body


def test_the_verdict_is_the_same_where_nothing_is_explained() -> None:
    """The same body, and valid or not; a short word names requirements that the long one names."""
    alike = judged = 0
    for topic, payload in payloads(SEED + 1, 6000):
        long = read_publication(topic, payload, retain=None, qos=None)
        short = read_publication(topic, payload, retain=None, qos=None, explain=False)
        assert (short.body, short.encoding, short.valid) == (long.body, long.encoding, long.valid)
        assert BulkReader(explained=0).read(topic, payload) == short
        if not long.valid:
            judged += 1
            alike += {one.requirement for one in short.findings} == {one.requirement for one in long.findings}
    assert alike > 0.95 * judged


def test_a_reader_explains_as_many_as_it_may() -> None:
    reader = BulkReader(explained=2)
    wrong = b'{"act":"ask"}'
    told = [reader.read(ORDERS, wrong).findings for _ in range(4)]
    assert told[0] == told[1] == read_publication(ORDERS, wrong, retain=None, qos=None).findings
    assert told[2] == told[3]
    assert "not explained" in told[2][0].what
