"""Any bytes on any topic: what the readers of payloads have to agree on.

Random bytes, every first byte, vectors that are bent, and vectors taken apart and written again with one item
that CBOR or JSON has and the protocol does not. A seed gives the same payloads every time.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from random import Random
from typing import Any

import cbor2

from conformance.fuzz.generate.hostile import all_hostile
from protocol.bulk_reading import BulkReader
from protocol.specification import specification
from protocol.topics import NotATopic, parse_topic
from protocol.validation import read_publication
from tests.protocol.vectors import vectors

Pair = tuple[str, bytes]
"""A topic and what was published there."""

_ITEMS = """
    e0 e2 f0 f4 f5 f6 f7 f820 f8ff f97e00 f93c00 f97c00 fa3f800000 fb3ff0000000000000 fb7ff8000000000000 00
    17 1818 18ff 1901ff 1a7fffffff 1affffffff 1b7fffffffffffffff 1bffffffffffffffff 20 3bffffffffffffffff 40
    4101 60 6161 61ff 6378c3a9 62c328 64f09f9a82 80 8100 8101 818180 81818181818180 a0 a10000 a1e200 a1f600
    a1f4f5 a14000 a18000 a1a00000 c001 c11a00000000 c1fb7ff8000000000000 c24101 c249010000000000000000
    c34100 c48200c24101 c48201f97e00 c5820101 c074323031332d30332d32315432303a30343a30305a d81c80 d81d00
    d81c81d81d00 d81e820103 d81e820100 d8236128 d82360 d82462613a d82550000102030405060708090a0b0c0d0e0f
    d90100820061 d9010280 d90102818100 d9010281a0 d9010344c0a80001 d90104440a000001 d904ec00 d9d9f7a0
    d864190400 d903ec6a323031332d30332d3231 5f4101ff 7f6161ff 9f00ff 9fff bf0000ff bfff ff 1c 3d 5e 7e 9c bc
    dc fc 5b7fffffffffffffff 7b7fffffffffffffff 9b7fffffffffffffff bb7fffffffffffffff 9affffffff 1800 190001
    1a00000001 1b0000000000000001 3800 7800 9800 b800
"""
ODD_CBOR = tuple(map(bytes.fromhex, _ITEMS.split()))
"""Items of CBOR (RFC 8949) that are well-formed or nearly so: simple values, floats, tags, lengths, breaks."""

ODD_JSON = (
    "null", "true", "false", "0", "-0", "1", "-1", "1.0", "1e0", "1E400", "-1e-400", "NaN", "Infinity", "-Infinity",
    "4294967296", "18446744073709551616", "9" * 40, "9" * 4301, "[]", "{}", "[[]]", '{"a":1}', '[1,[2,[3]]]',
    "[" * 40 + "]" * 40, '""', '"a"', '"\\u0061"', '"\\ud800"', '"\\u0000"', '"\\n"', '"\x7f"', '"\x1b[2J"', '"é"',
    '"\u202e"', '"C-101"', '"on"', '"done"', '" "', "01", "+1", ".5", "1.", "'a'", "[1,]", "", " 1", "\t0\n",
)  # fmt: skip
"""Values of JSON (RFC 8259), and what passes for one here and there."""


def topics() -> list[str]:
    """Topics of every message, of a place, to everybody, and what is none."""
    spec = specification()
    found = [
        f"{spec.root}/harlow-basin/north/{message}" for message in spec.messages if message != "yard-map"
    ]
    found += [f"{spec.root}/harlow-basin/yard/yard-map/{place}" for place in ("stack-n", "deck")]
    found += [f"{spec.root}/harlow-basin/{spec.everyone}/job-order"]
    found += [f"{spec.root}/abcdefghijkl/abcdefgh/{message}" for message in spec.messages]
    found += (
        "",
        "/",
        "yw1",
        "yw2/a/b/fault",
        f"{spec.root}/a/b/faults",
        f"{spec.root}/a/b/fault/",
        f"{spec.root}//b/fault",
    )
    found += (
        f"{spec.root}/a/b/yard-map",
        f"{spec.root}/a/{spec.everyone}/fault",
        f"{spec.root}/a/b/fault\x00",
    )
    found += (
        f"{spec.root}/é/b/fault",
        f"{spec.root}/{'a' * 70}/b/fault",
        f"{spec.root}/a/b\n/fault",
        "$SYS/broker/version",
    )
    return found


def payloads(seed: int, number: int) -> Iterator[Pair]:
    """So many topics with payloads: first every first byte on every topic, then whatever chance brings."""
    chance = Random(seed)
    known = topics()
    given = 0
    for first in range(256):
        for topic in known:
            if given == number:
                return
            given += 1
            yield topic, bytes([first]) + chance.randbytes(chance.choice((0, 0, 1, 3, 9)))
    hostile = [one.payload for one in all_hostile() if len(one.payload) < 4096]
    plain = [vector.payload for vector in vectors() if len(vector.payload) < 4096]
    maps = [(vector.message, body) for vector in vectors() if (body := _map(vector.payload)) is not None]
    ways: tuple[Callable[[], Pair], ...] = (
        lambda: (chance.choice(known), _noise(chance)),
        lambda: (chance.choice(known), chance.choice(hostile)),
        lambda: (chance.choice(known), _bent(chance, chance.choice(plain))),
        lambda: _rewritten(chance, known, maps, _cbor),
        lambda: _rewritten(chance, known, maps, _cbor),
        lambda: _rewritten(chance, known, maps, _json),
    )
    for _ in range(given, number):
        yield chance.choice(ways)()


def disagreement(reader: BulkReader, topic: str, payload: bytes) -> str:
    """How the ways to read a payload differ, '' where they do not. An exception of any of them goes through."""
    try:
        parts = parse_topic(topic)
    except NotATopic:
        parts = None
    if reader.topic(topic) != parts:
        return f"topic: {reader.topic(topic)} and {parts}"
    one, other = (
        reader.read(topic, payload),
        read_publication(topic, payload, retain=None, qos=None, short=False),
    )
    if one != other or repr(one.body) != repr(other.body):  # True is 1 to Python, and 1.0 is too.
        return f"read: {one} and {other}"
    body = reader.decode(topic, payload)
    if body is not None and (type(body) is not dict or parts is None):
        return f"decode: {body!r}"
    if one.valid and body != one.body:
        return f"decode: {body!r} of the valid {one.body!r}"
    if one.body is not None and body != one.body:
        return f"decode: {body!r} where a tolerant receiver uses {one.body!r}"
    return ""


def _noise(chance: Random) -> bytes:
    start = chance.choice((b"", b"{", b'{"', b"\xa1", b"\xa2\x02", b"\xbf", b"\xa4\x00"))
    return start + chance.randbytes(chance.choice((0, 1, 2, 3, 5, 8, 21, 60)))


def _bent(chance: Random, whole: bytes) -> bytes:
    """One or two bytes flipped, put in, taken out; cut off; a piece of it twice."""
    bent = bytearray(whole)
    for _ in range(chance.choice((0, 1, 1, 2, 3))):
        at = chance.randrange(len(bent) + 1)
        match chance.randrange(6):
            case 0 if at < len(bent):
                bent[at] ^= 1 << chance.randrange(8)
            case 1:
                bent[at:at] = chance.choice(ODD_CBOR)
            case 2:
                del bent[at : at + chance.choice((1, 1, 2))]
            case 3:
                del bent[at:]
            case 4:
                bent[at : at + 1] = chance.choice(
                    (b" ", b"\\u0041", b"1.0", b"\x00", b'"', b",", b"\xff", b"\xef\xbb\xbf")
                )
            case _:
                bent += bent[at : at + chance.randrange(12)]
    return bytes(bent)


def _map(payload: bytes) -> dict[Any, Any] | None:
    """The map of a vector in CBOR, to be written again."""
    try:
        found = cbor2.loads(payload)
    except (cbor2.CBORError, ValueError, TypeError, RecursionError):
        return None
    return found if isinstance(found, dict) else None


def _rewritten(
    chance: Random,
    known: list[str],
    maps: list[tuple[str, dict[Any, Any]]],
    write: Callable[[Random, str, dict[Any, Any]], bytes],
) -> Pair:
    message, body = chance.choice(maps)
    fitting = [topic for topic in known if f"/{message}" in topic]
    return chance.choice(fitting if chance.random() < 0.9 else known), write(chance, message, body)


def _cbor(chance: Random, _message: str, body: dict[Any, Any]) -> bytes:
    """The map, with odd items for one or two of its keys or values, or more of them."""
    rows = [(cbor2.dumps(key), _value(chance, value)) for key, value in body.items()]
    for _ in range(chance.choice((0, 1, 1, 1, 2))):
        at = chance.randrange(len(rows) + 1)
        key, value = rows[at] if at < len(rows) else (cbor2.dumps(chance.randrange(40)), b"\x00")
        match chance.randrange(5):
            case 0:
                key = chance.choice(ODD_CBOR)
            case 1 | 2:
                value = chance.choice(ODD_CBOR)
            case 3:
                value = b"\x81" * chance.choice((1, 2, 6, 200)) + value
            case _:
                key = value
        rows[at : at + 1] = [(key, value)]
    if chance.random() < 0.1:
        chance.shuffle(rows)
    number = len(rows) + (chance.choice((-1, 1)) if chance.random() < 0.05 else 0)
    head = bytes([0xA0 + number]) if 0 <= number < 24 else b"\xb8" + bytes([max(number, 0)])
    return head + b"".join(key + value for key, value in rows)


def _value(chance: Random, value: Any) -> bytes:
    if isinstance(value, list) and value and chance.random() < 0.2:
        parts = [_value(chance, part) for part in value]
        parts[chance.randrange(len(parts))] = chance.choice(ODD_CBOR)
        return bytes([0x80 + min(len(parts), 23)]) + b"".join(parts[:23])
    return cbor2.dumps(value)


def _json(chance: Random, message: str, body: dict[Any, Any]) -> bytes:
    """The fields in words where the vector has them, with odd values, names twice, and other ways to write."""
    reading = BulkReader().decode(_topic_of(message), cbor2.dumps(body)) or {}
    rows = [
        (json.dumps(str(name)), json.dumps(value, separators=(",", ":"), default=str))
        for name, value in reading.items()
    ]
    for _ in range(chance.choice((0, 1, 1, 1, 2))):
        at = chance.randrange(len(rows) + 1)
        name, value = rows[at] if at < len(rows) else ('"new"', "1")
        if chance.random() < 0.8:
            value = chance.choice(ODD_JSON)
        else:
            name = chance.choice(ODD_JSON)
        rows[at : at + (chance.random() < 0.9)] = [(name, value)]
    comma, colon = chance.choice(((",", ":"), (",", ":"), (", ", ":"), (",", " : "), (",", ":\n")))
    text = "{" + comma.join(name + colon + value for name, value in rows) + "}"
    return text.encode(chance.choice(("utf-8", "utf-8", "utf-8", "utf-16-le", "latin-1")), "replace")


def _topic_of(message: str) -> str:
    place = "/stack-n" if message == "yard-map" else ""
    return f"{specification().root}/harlow-basin/north/{message}{place}"
