"""Ways to spoil the bytes of a good order, each named by what it breaks."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

from protocol.codec.shape import shape_for
from protocol.site import Encoding

Mutation = Callable[[bytes, int], bytes]
"""The bytes and any number to the spoilt bytes."""


def _truncated(payload: bytes, number: int) -> bytes:
    return payload[: number % max(1, len(payload))]


def _tail(payload: bytes, number: int) -> bytes:
    return payload + (b"\x00", b" x", b"}", b"\xff", b"\xf6")[number % 5]


def _twice(payload: bytes, _number: int) -> bytes:
    return payload + payload


def _flipped(payload: bytes, number: int) -> bytes:
    at, bit = divmod(number % (8 * len(payload)), 8)
    return payload[:at] + bytes([payload[at] ^ 1 << bit]) + payload[at + 1 :]


def _more_pairs(payload: bytes, number: int) -> bytes:
    """The head of a CBOR map promises more than follows; in JSON a member is begun."""
    if payload[:1] == b"{":
        return payload[:-1] + b',"'
    return bytes([payload[0] + 1 + number % 3 if payload[0] < 0xB4 else 0xB7]) + payload[1:]


def _wide_length(payload: bytes, _number: int) -> bytes:
    """The first text of a CBOR order with a length that only 32 bits hold, its low 16 bits right."""
    at = _first_text(payload)
    if at is None:
        return payload[:-1]
    length = payload[at] & 0x1F
    return payload[:at] + b"\x7a" + (65536 + length).to_bytes(4, "big") + payload[at + 1 :]


_LIES = ("7818", "787f", "78ff", "79ffff", "7a7fffffff", "7affffffff", "7bffffffffffffffff")
"""Heads of texts longer than any order (RFC 8949 section 3), at the ends of C's integer types."""


def _lying_length(payload: bytes, number: int) -> bytes:
    at = _first_text(payload)
    if at is None:
        return payload[:-1]
    return payload[:at] + bytes.fromhex(_LIES[number % len(_LIES)]) + payload[at + 1 :]


def _long_text(payload: bytes, number: int) -> bytes:
    """The first text of a CBOR order longer than any label, and all of it there."""
    at = _first_text(payload)
    if at is None:
        return payload[:-1]
    length = payload[at] & 0x1F
    text = (payload[at + 1 : at + 1 + length] or b"A") * 80
    count = 24 + number % 56
    return payload[:at] + bytes([0x78, count]) + text[:count] + payload[at + 1 + length :]


def _first_text(payload: bytes) -> int | None:
    """Where a short text begins in a CBOR order; None in JSON or where there is none."""
    from io import BytesIO

    import cbor2

    if payload[:1] == b"{":
        return None
    stream = BytesIO(payload)
    stream.read(1)
    decoder = cbor2.CBORDecoder(stream)
    while stream.tell() < len(payload):
        begin = stream.tell()
        if isinstance(decoder.decode(), str) and payload[begin] & 0xE0 == 0x60 and payload[begin] < 0x78:
            return begin
    return None


def _indefinite(payload: bytes, _number: int) -> bytes:
    return payload + b" " if payload[:1] == b"{" else b"\xbf" + payload[1:] + b"\xff"


def _key_twice(payload: bytes, _number: int) -> bytes:
    """The first field of a CBOR order again with another value behind the others; the act again in JSON."""
    if payload[:1] == b"{":
        return payload[:-1] + b',"act":"claim"}'
    return bytes([payload[0] + 1]) + payload[1:] + b"\x02\x01"


def _deep(payload: bytes, number: int) -> bytes:
    """A field that nobody knows, nested deeper than a small stack."""
    depth = 6 + number % 24
    if payload[:1] == b"{":
        return payload[:-1] + b',"zz":' + b"[" * depth + b"]" * depth + b"}"
    return bytes([payload[0] + 1]) + payload[1:] + b"\x19\x03\xe8" + b"\x81" * (depth - 1) + b"\x80"


MUTATIONS: dict[str, Mutation] = {
    "truncated": _truncated,
    "with bytes behind its end": _tail,
    "twice in one payload": _twice,
    "with one bit flipped": _flipped,
    "that promises more fields than follow": _more_pairs,
    "with a text length of 65536 too many": _wide_length,
    "with a text length that lies": _lying_length,
    "with a text that is far too long": _long_text,
    "as an indefinite map": _indefinite,
    "that names a key twice": _key_twice,
    "nested deeper than allowed": _deep,
}


OF_TEXTS = frozenset(
    {
        "with a text length of 65536 too many",
        "with a text length that lies",
        "with a text that is far too long",
    }
)
"""Those that need a text in CBOR."""


def mutated(payload: bytes, name: str, number: int) -> bytes:
    """The payload spoilt as `name` says. Raises KeyError for an unknown name."""
    return MUTATIONS[name](payload, number)


def unlike_schema(message: str, body: dict[str, Any], encoding: Encoding) -> bytes:
    """A body that no encoder would take, such as one with a field of the wrong type, in `encoding`."""
    if encoding is Encoding.JSON:
        return json.dumps(body, separators=(",", ":")).encode()
    import cbor2

    shape = shape_for(message, body.get("act"))
    keyed = {shape.keys.get(name, 1000): _number(shape, name, value) for name, value in body.items()}
    return cbor2.dumps(keyed, canonical=True)


def _number(shape: Any, name: str, value: Any) -> Any:
    words = shape.fields[name].words if name in shape.fields else ()
    if words and isinstance(value, str):
        return words.index(value) if value in words else len(words) + 7
    return value
