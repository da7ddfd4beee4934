"""What a node says again with another count and uptime: read by what was read before.

A state is said again every two seconds, and most of a recording is that. All but its boot, count and uptime is the same
bytes as before then, and no rule of the schema joins these three with anything else; so each of them is looked at by
itself, and the rest is known to be valid. The encodings are told apart by their first byte.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from functools import cache
from typing import Any, NamedTuple

from protocol.codec.shape import shape_of
from protocol.specification import specification

COUNTS = ("boot", "seq", "uptime")
"""The fields that differ: the first three of a message."""
KEPT = 4096
"""Rests that are remembered; then it begins again with none."""
MOST_COUNT, MOST_UPTIME = 2**16 - 1, 2**32 - 1
_BOUNDS = ((0, MOST_COUNT), (0, MOST_COUNT), (0, MOST_UPTIME))
_HEAD = rb"(?s:."
_COUNT = rb"([\x00-\x17]|\x18[\x18-\xff]|\x19[\x01-\xff].)"
_UPTIME = rb"([\x00-\x17]|\x18[\x18-\xff]|\x19[\x01-\xff].|\x1a(?!\x00\x00)....)"
_CBOR = re.compile(_HEAD + rb"\x00" + _COUNT + rb"\x01" + _COUNT + rb"\x02" + _UPTIME + rb")").match
_NUMBER = rb"(0|[1-9][0-9]{0,9})"
_JSON = re.compile(
    rb'\{"boot":' + _NUMBER + rb',"seq":' + _NUMBER + rb',"uptime":' + _NUMBER + rb"(?=[,}])"
).match
_JSON_BODY = ord("{")


class _Known(NamedTuple):
    """A body that was read, the first byte of its payload, and which of its fields are arrays."""

    body: dict[str, Any]
    first: int
    arrays: tuple[str, ...]


@cache
def begins_with_counts(message: str) -> bool:
    """Whether the schema has these fields first, with these bounds and nothing that joins them with others."""
    schema = specification().messages[message]
    fields = schema["properties"]
    if [int(fields[name]["cborKey"]) if name in fields else None for name in COUNTS] != [0, 1, 2]:
        return False
    bounds = [shape_of(message).fields[name].schema for name in COUNTS]
    if tuple((one["minimum"], one["maximum"]) for one in bounds) != _BOUNDS:
        return False
    return not any(
        _looks_at_counts(part) for name, part in schema.items() if name not in ("properties", "examples")
    )


def _looks_at_counts(schema: Any) -> bool:
    """Whether a part of a schema makes anything depend on the value of one of these fields."""
    if isinstance(schema, list):
        return any(map(_looks_at_counts, schema))
    if not isinstance(schema, Mapping):
        return False
    return not schema.get("properties", {}).keys().isdisjoint(COUNTS) or any(
        map(_looks_at_counts, schema.values())
    )


class RepeatedBodies:
    """The bodies of one kind of message that were found to be valid, by what stands behind their counts."""

    def __init__(self) -> None:
        self._known: dict[bytes, _Known | None] = {}
        """None for what was valid once: most of what differs in more never comes again."""
        self._rest: bytes | None = None
        """Of the payload that was asked for last."""

    def read(self, payload: bytes) -> dict[str, Any] | None:
        """The body of a payload that differs in nothing but valid counts from one that was valid; else None."""
        first = payload[0]
        found = (_JSON if first == _JSON_BODY else _CBOR)(payload)
        if found is None:
            self._rest = None
            return None
        self._rest = rest = payload[found.end() :]
        known = self._known.get(rest)
        if known is None or known.first != first:
            return None
        boot, seq, uptime = map(int if first == _JSON_BODY else _integer, found.groups())
        if boot > MOST_COUNT or seq > MOST_COUNT or uptime > MOST_UPTIME:
            return None
        body = known.body.copy()
        body["boot"] = boot
        body["seq"] = seq
        body["uptime"] = uptime
        for name in known.arrays:
            body[name] = _copy(body[name])
        return body

    def keep(self, payload: bytes, body: dict[str, Any]) -> None:
        """Remember the payload that was asked for last, which was found to be valid, and its body."""
        rest = self._rest
        if rest is None:
            return
        if rest not in self._known:
            if len(self._known) >= KEPT:
                self._known.clear()
            self._known[rest] = None
            return
        own = _copy(body)
        arrays = tuple(name for name, value in own.items() if value.__class__ in (list, dict))
        self._known[rest] = _Known(own, payload[0], arrays)


def _integer(data: bytes) -> int:
    return data[0] if len(data) == 1 else int.from_bytes(data[1:], "big")


def _copy(value: Any) -> Any:
    """Nobody who reads a body changes that of another."""
    if value.__class__ is list:
        return [_copy(part) if part.__class__ in (list, dict) else part for part in value]
    if value.__class__ is dict:
        return {name: _copy(part) for name, part in value.items()}
    return value
