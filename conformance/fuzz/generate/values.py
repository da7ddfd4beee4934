"""Values of a field at the edges of its schema, and values just beyond them, each named."""

from __future__ import annotations

import re
from collections.abc import Iterator
from functools import cache
from typing import Any

from protocol.codec.shape import Kind

HEADS = (0, 1, 23, 24, 127, 128, 255, 256, 32767, 32768, 65535, 65536, 2**31 - 1, 2**31, 2**32 - 1)
"""Where CBOR's integer heads grow (RFC 8949 section 3) and where C's integer types end."""


def edges(kind: Kind) -> list[Any]:
    """The values of one field at which a reader may go wrong; all of them valid."""
    schema = kind.schema
    if kind.words:
        return list(kind.words)
    match schema["type"]:
        case "integer":
            low, high = schema["minimum"], schema["maximum"]
            near = {low, low + 1, high - 1, high, *(s * head for head in HEADS for s in (1, -1))}
            return sorted(value for value in near if low <= value <= high)
        case "boolean":
            return [False, True]
        case "string":
            characters = allowed(schema["not"]["pattern"])
            longest = characters * schema["maxLength"]
            return [
                characters[0],
                characters[-1],
                *(longest[at : at + schema["maxLength"]] for at in (0, 9, 36)),
            ]
        case _:
            return _arrays(kind)


@cache
def allowed(pattern: str) -> str:
    """The ASCII characters that a label may have; `pattern` finds what it may not."""
    return "".join(sign for sign in map(chr, range(128)) if not re.search(pattern, sign))


def _arrays(kind: Kind) -> list[Any]:
    if kind.first:
        columns = [edges(part) for part in kind.first]
        return [[column[row % len(column)] for column in columns] for row in range(max(map(len, columns)))]
    assert kind.rest is not None
    schema, entries = kind.schema, edges(kind.rest)
    sizes = {schema["minItems"], schema["maxItems"]}
    return [
        [entries[(start + at) % len(entries)] for at in range(size)]
        for size in sorted(sizes)
        for start in range(0, len(entries), 3)
    ]


def beyond(kind: Kind) -> Iterator[tuple[str, Any]]:
    """Values that break the schema of a field in exactly one way, each with what it breaks."""
    schema = kind.schema
    yield "a string for it", "1" if schema.get("type") != "string" else 1
    if kind.words:
        yield "a word that there is not", "no-such-word"
        return
    match schema["type"]:
        case "integer":
            yield "one below its least", schema["minimum"] - 1
            yield "one above its most", schema["maximum"] + 1
            yield "2^32 more, which 32 bits lose", schema["maximum"] // 2 + 2**32
            yield "true for it", True
        case "string":
            yield "an empty string", ""
            yield "one character too many", "A" * (schema["maxLength"] + 1)
            yield "twice as many characters as allowed", "A" * (2 * schema["maxLength"])
            yield "a long string", "A" * 120
            yield "a '/' in it", "a/b"
            yield "a NUL in it", "a\x00b"
        case "array":
            yield "an empty array", []
            entry = edges(kind)[0]
            yield "more entries than allowed", [entry[0]] * (schema["maxItems"] + 1)
