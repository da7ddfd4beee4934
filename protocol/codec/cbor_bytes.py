"""CBOR (RFC 8949), encoded deterministically as section 4.2.1 asks: one way to write each message."""

from __future__ import annotations

import cbor2

from protocol.codec.cbor_walk import Walk, walk
from protocol.codec.untagged import NO_TAGS
from protocol.codec.value import Value, is_plain
from protocol.specification import specification


def encode_cbor(value: Value) -> bytes:
    """Shortest integers and lengths, definite lengths, keys in bytewise order.

    `value` consists of what the model has, and its depth is known to be small: cbor2 recurses without limit.
    """
    return cbor2.dumps(_sorted(value))


def _sorted(value: Value) -> Value:
    # cbor2's own `canonical` sorts shorter keys first, as RFC 7049 did.
    if isinstance(value, dict):
        in_order = sorted(value) if all(map(_is_count, value)) else sorted(value, key=cbor2.dumps)
        return {key: _sorted(value[key]) for key in in_order}
    if isinstance(value, (list, tuple)):
        return [_sorted(entry) for entry in value]
    return value


def _is_count(key: object) -> bool:
    """Whether it is an integer from 0 on: their bytes are in the order of the numbers (RFC 8949 section 3)."""
    return key.__class__ is int and key >= 0


def decode_cbor(payload: bytes, *, locate: bool = False) -> Walk:
    """The value of a payload and every flaw with its byte; with `locate`, the byte of every value too."""
    value = None if locate else _deterministic(payload)
    return walk(payload) if value is None else Walk(value)


def _deterministic(payload: bytes) -> Value:
    """The value of a payload that is in the model and encoded deterministically, else None.

    Writing the value again gives the same bytes only where nothing was left over, indefinite or too long.
    """
    most = specification().most("depth")
    try:
        value = cbor2.loads(
            payload,
            semantic_decoders=NO_TAGS,
            allow_duplicate_keys=False,
            allow_indefinite=False,
            max_depth=most,
        )
    except (cbor2.CBORError, ValueError, TypeError):
        return None
    return value if is_plain(value) and encode_cbor(value) == payload else None
