"""Payloads that a receiver has to put up with, made from a good one: a newer sender's, and broken ones."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from typing import Any

import cbor2

from protocol.specification import specification

STRANGE_NAME, STRANGE_KEY = "zz-new", 99


def newer(payload: bytes, value: Any = 1) -> bytes:
    """The same with a field that no schema names, as a later minor version may send [ENC-09]."""
    if payload.startswith(b"{"):
        return json.dumps(json.loads(payload) | {STRANGE_NAME: value}, separators=(",", ":")).encode()
    return cbor2.dumps(cbor2.loads(payload) | {STRANGE_KEY: value})


def cut(payload: bytes) -> bytes:
    """The same without its last byte."""
    return payload[:-1]


def with_tail(payload: bytes) -> bytes:
    """The same twice: two packets glued together."""
    return payload * 2


def with_one_more_byte(payload: bytes) -> bytes:
    """The same and a whole item behind it, in JSON as in CBOR: what an earlier and longer packet left in a buffer."""
    return payload + b"0"


def too_deep(payload: bytes) -> bytes:
    """The same with a strange field that is nested deeper than a message may be."""
    nested: Any = 0
    for _ in range(specification().most("depth") + 1):
        nested = [nested]
    return newer(payload, nested)


UNREADABLE: Mapping[str, Callable[[bytes], bytes]] = {
    "truncated": cut,
    "with a tail": with_tail,
    "nested too deep": too_deep,
}
"""What no receiver may take for a message [ENC-12], by what is wrong with it."""
