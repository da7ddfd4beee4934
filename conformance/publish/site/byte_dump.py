"""A payload taken apart in both encodings: every byte of it, and what it says."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from protocol.codec import encode
from protocol.codec.cbor_bytes import encode_cbor
from protocol.codec.shape import Kind, shape_for
from protocol.codec.value import Value
from protocol.site import Encoding

_ARRAY, _MAP = 0x80, 0xA0


@dataclass(frozen=True, slots=True)
class TextPiece:
    """Some characters of a payload in JSON, each of one byte, where they start, and what they say."""

    offset: int
    text: str
    says: str


@dataclass(frozen=True, slots=True)
class Piece:
    """Some bytes of a payload, where they start, and what they say; `depth` 0 is the outermost map."""

    offset: int
    hex: str
    says: str
    depth: int


def told(message: str, body: Mapping[str, Value]) -> tuple[Piece, ...]:
    """The payload of `body` in CBOR, piece by piece. Raises NotEncodable."""
    whole = encode(message, body, Encoding.CBOR)
    pieces: list[Piece] = []
    at = 0
    for raw, says, depth in _map(message, body):
        pieces.append(Piece(at, raw.hex(" "), says, depth))
        at += len(raw)
    if bytes.fromhex("".join(piece.hex for piece in pieces).replace(" ", "")) != whole:
        raise AssertionError(f"the explanation of {message} is not its payload")
    return tuple(pieces)


def told_in_json(message: str, body: Mapping[str, Value]) -> tuple[TextPiece, ...]:
    """The payload of `body` in JSON, member by member. Raises NotEncodable."""
    whole = encode(message, body, Encoding.JSON).decode("ascii")
    shape = shape_for(message, body.get("act"))
    rows = [("{", f"an object of {len(body)} members")]
    members = json.loads(whole)
    for number, (name, value) in enumerate(members.items(), 1):
        written = f'"{name}":{json.dumps(value, separators=(",", ":"))}'
        rows.append((written + ("," if number < len(members) else ""), _of(shape.fields[name], name, value)))
    rows.append(("}", "its end, and nothing behind it"))
    pieces, at = [], 0
    for text, says in rows:
        pieces.append(TextPiece(at, text, says))
        at += len(text)
    if "".join(piece.text for piece in pieces) != whole:
        raise AssertionError(f"the explanation of {message} is not its payload")
    return tuple(pieces)


def _of(kind: Kind, name: str, value: Any) -> str:
    meaning = kind.meanings.get(value, "") if isinstance(value, str) else ""
    return f"{name}: {meaning or kind.description}".rstrip(": ")


def _head(kind: int, count: int) -> bytes:
    # Counts of the protocol are below 256: RFC 8949 section 3, argument in the first byte or in one more.
    return bytes([kind | count]) if count < 24 else bytes([kind | 24, count])


def _map(message: str, body: Mapping[str, Any]) -> Iterator[tuple[bytes, str, int]]:
    shape = shape_for(message, body.get("act"))
    yield _head(_MAP, len(body)), f"a map of {len(body)} fields", 0
    for name in sorted(body, key=shape.keys.__getitem__):
        key = shape.keys[name]
        yield encode_cbor(key), f"key {key}: {name}", 1
        yield from _value(shape.fields[name], body[name], 2)


def _value(kind: Kind, value: Any, depth: int) -> Iterator[tuple[bytes, str, int]]:
    if isinstance(value, list):
        count = len(value)
        yield _head(_ARRAY, count), f"an array of {count} {'entry' if count == 1 else 'entries'}", depth
        for position, entry in enumerate(value):
            yield from _value(kind.entry(position), entry, depth + 1)
    elif kind.words:
        number = kind.words.index(value)
        meaning = f": {kind.meanings[value]}" if value in kind.meanings else ""
        yield encode_cbor(number), f"{number} is '{value}'{meaning}", depth
    elif isinstance(value, bool):
        yield encode_cbor(value), str(value).lower(), depth
    elif isinstance(value, str):
        yield encode_cbor(value), f"the text '{value}', {len(value)} bytes", depth
    else:
        unit = f" {kind.unit}" if kind.unit in ("ms", "byte") else ""
        yield encode_cbor(value), f"{value}{unit}", depth
