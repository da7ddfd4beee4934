"""CBOR (RFC 8949) within the bounds of the protocol: written deterministically, read without floats, tags and nulls."""

from .tables import DEPTH_MOST
from .utf8 import is_utf8

UNSIGNED, NEGATIVE, TEXT, ARRAY, MAP = 0, 1, 3, 4, 5
FALSE, TRUE = 0xF4, 0xF5


class Unreadable(Exception):
    """A payload is not what the protocol has."""


def put_head(out: bytearray, major: int, value: int) -> None:
    """The beginning of a value, in as few bytes as it takes [ENC-02]."""
    first = major << 5
    if value < 24:
        out.append(first | value)
    elif value < 0x100:
        out.append(first | 24)
        out.append(value)
    else:
        size = 2 if value < 0x10000 else 4
        out.append(first | (25 if size == 2 else 26))
        out.extend(value.to_bytes(size, "big"))


def put(out: bytearray, value) -> None:
    """An integer, a truth value, a text or a row of these."""
    if isinstance(value, bool):
        out.append(TRUE if value else FALSE)
    elif isinstance(value, int):
        put_head(out, NEGATIVE if value < 0 else UNSIGNED, ~value if value < 0 else value)
    elif isinstance(value, str):
        put_head(out, TEXT, len(value))
        out.extend(value.encode())
    else:
        put_head(out, ARRAY, len(value))
        for part in value:
            put(out, part)


def read(payload: bytes) -> dict:
    """The one map that a payload is. Raises Unreadable."""
    if not payload or payload[0] >> 5 != MAP:
        raise Unreadable
    value, end = _value(payload, 0, 1)
    if end != len(payload):
        raise Unreadable  # [ENC-12]
    return value


def _head(payload: bytes, at: int) -> tuple:
    """First byte, argument, and where the next begins."""
    if at >= len(payload):
        raise Unreadable
    first = payload[at]
    more = first & 31
    if more < 24:
        return first, more, at + 1
    end = at + 1 + (1 << (more - 24))
    if more > 27 or end > len(payload):
        raise Unreadable
    return first, int.from_bytes(payload[at + 1 : end], "big"), end


def _value(payload: bytes, at: int, depth: int) -> tuple:
    first, argument, at = _head(payload, at)
    major = first >> 5
    if major == UNSIGNED:
        return argument, at
    if major == NEGATIVE:
        return -1 - argument, at
    if first in (FALSE, TRUE):
        return first == TRUE, at
    # Every entry takes a byte at least, so that no count is believed that cannot be.
    if argument > len(payload) - at:
        raise Unreadable
    if major == TEXT:
        end = at + argument
        if not is_utf8(payload[at:end]):
            raise Unreadable
        return payload[at:end].decode(), end
    if major not in (ARRAY, MAP) or depth > DEPTH_MOST:
        raise Unreadable
    return _array(payload, at, depth, argument) if major == ARRAY else _map(payload, at, depth, argument)


def _array(payload: bytes, at: int, depth: int, count: int) -> tuple:
    found = []
    for _ in range(count):
        part, at = _value(payload, at, depth + 1)
        found.append(part)
    return found, at


def _map(payload: bytes, at: int, depth: int, count: int) -> tuple:
    found: dict = {}
    for _ in range(count):
        key, at = _value(payload, at, DEPTH_MOST + 1)
        if isinstance(key, bool) or key in found:
            raise Unreadable
        found[key], at = _value(payload, at, depth + 1)
    return found, at
