"""Every byte of a CBOR payload explained: against a hand-made decoding, and whole for any message."""

from __future__ import annotations

from hypothesis import given

from conformance.publish.site.byte_dump import told, told_in_json
from protocol.codec import encode
from protocol.site import Encoding
from tests.strategies import Body, messages_and_bodies


def test_will_by_hand() -> None:
    """Decoded by hand with RFC 8949 section 3: a map of 3, keys 0, 9, 10, 4711 as two bytes behind 0x19."""
    pieces = told("node-status", {"boot": 4711, "link": 1, "state": "off"})
    assert [(piece.offset, piece.hex) for piece in pieces] == [
        (0, "a3"), (1, "00"), (2, "19 12 67"), (5, "09"), (6, "01"), (7, "0a"), (8, "01"),
    ]  # fmt: skip
    assert pieces[1].says == "key 0: boot"
    assert pieces[2].says == "4711"
    assert pieces[4].says.startswith("1 is 'off'")


def test_entries_of_arrays_are_told() -> None:
    pieces = told("job-order", {"act": "stimulus", "boot": 1, "id": 2, "inputs": [["end", True, 300]]})
    assert [piece.hex for piece in pieces[-5:]] == ["81", "83", "01", "f5", "19 01 2c"]
    assert pieces[-1].says == "300 ms"


@given(messages_and_bodies())
def test_nothing_is_left_out(drawn: tuple[str, Body]) -> None:
    message, body = drawn
    pieces = told(message, body)
    payload = encode(message, body, Encoding.CBOR)
    assert "".join(piece.hex.replace(" ", "") for piece in pieces) == payload.hex()
    ends = [piece.offset + len(piece.hex.replace(" ", "")) // 2 for piece in pieces]
    assert [piece.offset for piece in pieces] == [0, *ends[:-1]]


@given(messages_and_bodies())
def test_nothing_is_left_out_in_json(drawn: tuple[str, Body]) -> None:
    message, body = drawn
    pieces = told_in_json(message, body)
    payload = encode(message, body, Encoding.JSON)
    assert "".join(piece.text for piece in pieces).encode() == payload
    assert [payload[piece.offset :][: len(piece.text)].decode() for piece in pieces] == [
        piece.text for piece in pieces
    ]
    assert len(pieces) == len(body) + 2
    assert all(piece.says for piece in pieces)
