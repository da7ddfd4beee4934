"""Heads and lengths at their very edges, against the encodings of RFC 8949."""

from __future__ import annotations

import cbor2
import pytest

from protocol.codec.cbor_walk import walk
from protocol.specification import specification

EDGES = (0, 23, 24, 255, 256, 65535, 65536, 2**32 - 1, 2**32, 2**64 - 1)


@pytest.mark.parametrize("number", [*EDGES, *(-1 - edge for edge in EDGES)])
def test_a_number_at_the_edge_of_a_width_is_read_as_the_library_writes_it(number: int) -> None:
    found = walk(cbor2.dumps(number))
    assert (found.value, found.flaws) == (number, [])


@pytest.mark.parametrize(
    ("width", "info", "least"), [(1, 24, 24), (2, 25, 256), (4, 26, 65536), (8, 27, 2**32)]
)
def test_a_wider_head_than_needed_is_forgiven_and_told(width: int, info: int, least: int) -> None:
    """RFC 8949 section 4.2.1, preferred serialization: the shortest form of the argument."""
    for number, told in ((least - 1, True), (least, False)):
        found = walk(bytes([info]) + number.to_bytes(width, "big"))
        assert found.value == number
        assert [flaw.forgiven for flaw in found.flaws] == [True] * told


@pytest.mark.parametrize(
    "payload",
    [
        b"",
        b"\x18",
        b"\x19\x01",
        b"\x61",
        b"\x62a",
        b"\x81",
        b"\x82\x01",
        b"\xa1",
        b"\xa1\x01",
        b"\xa2\x01\x01\x02",
    ],
)
def test_one_byte_too_few_is_cut_short(payload: bytes) -> None:
    found = walk(payload)
    assert found.value is None
    assert [flaw.finding.requirement for flaw in found.flaws] == ["ENC-12"]
    assert found.flaws[0].finding.byte == len(payload)


@pytest.mark.parametrize(
    ("payload", "value"),
    [
        (b"\x60", ""),
        (b"\x61a", "a"),
        (b"\x80", []),
        (b"\x81\x01", [1]),
        (b"\xa0", {}),
        (b"\xa1\x01\x02", {1: 2}),
    ],
)
def test_what_ends_with_its_last_byte_is_whole(payload: bytes, value: object) -> None:
    found = walk(payload)
    assert (found.value, found.flaws) == (value, [])
    behind = walk(payload + b"\x00")
    assert behind.flaws[-1].finding.requirement == "ENC-12"
    assert behind.flaws[-1].finding.byte == len(payload)


def test_nesting_ends_at_the_depth_of_the_limits() -> None:
    most = specification().most("depth")
    deepest: object = 1
    for _ in range(most):
        deepest = [deepest]
    found = walk(cbor2.dumps(deepest))
    assert (found.value, found.flaws) == (deepest, [])
    deeper = walk(cbor2.dumps([deepest]))
    assert (deeper.value, deeper.flaws[0].finding.byte) == (None, most)


@pytest.mark.parametrize(
    ("payload", "seen"),
    [
        (b"\xf8\x1f", "0xf8 0x1f starts no value in CBOR"),
        (b"\xf8\x20", "is the simple value 32, which the protocol has not"),
        (b"\xf6", "is null, which the protocol has not"),
        (b"\xf9\x3c\x00", "is a 16-bit float, which the protocol has not"),
    ],
)
def test_simple_values(payload: bytes, seen: str) -> None:
    """RFC 8949 section 3.3: two bytes for less than 32 are not well-formed."""
    assert [flaw.finding.what for flaw in walk(payload).flaws] == [seen]
    assert (walk(b"\xf4").value, walk(b"\xf5").value) == (False, True)


def test_a_key_twice_or_behind_a_higher_one_is_told_with_its_byte() -> None:
    twice = walk(b"\xa2\x01\x00\x01\x00").flaws
    assert [(flaw.finding.byte, flaw.forgiven) for flaw in twice] == [(3, False)]
    unordered = walk(b"\xa3\x02\x00\x01\x00\x03\x00").flaws
    assert [(flaw.finding.byte, flaw.forgiven) for flaw in unordered] == [(3, True)]
