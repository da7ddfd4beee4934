"""A message that is beyond doubt valid, recognised by a short way; everything else is left to the long one.

It may be timid and is never a second set of rules: a body comes out only where the closed schema holds and
the payload is written as a sender has to write it. What is wrong with any other only the long way can say.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from functools import cache
from typing import TYPE_CHECKING, Any, NamedTuple

import cbor2

from protocol.codec.shape import Kind, shape_of
from protocol.codec.untagged import NO_TAGS
from protocol.schemas import schema_set
from protocol.site import Encoding
from protocol.specification import specification

if TYPE_CHECKING:
    import jsonschema_rs

JSON_BODY = ord("{")
SMALL_MAP = range(0xA0, 0xB8)
"""First byte of a map of up to 23 fields."""
ONE_BYTE = 24
"""Integers below it are written in one byte."""
_ORDERS_KEPT = 4096

Convert = Callable[[Any], Any]
IsValid = Callable[[Any], bool]


class Doubt(Exception):
    """Not beyond doubt valid."""


class _Field(NamedTuple):
    """How one field is read: its name, the words of its integers, or what converts its array; None for neither."""

    name: str
    words: tuple[str, ...] | None
    convert: Convert | None


def quick_body(message: str, payload: bytes, most: int) -> tuple[dict[str, Any], Encoding] | None:
    """Body and encoding of a payload of `message` that is beyond doubt valid; None for any other.

    `most` is the length above which none is. Raises KeyError for an unknown message.
    """
    if not payload or len(payload) > most:
        return None
    try:
        if payload[0] == JSON_BODY:
            body, encoding = json_body(payload), Encoding.JSON
        elif payload[0] in SMALL_MAP:
            body, encoding = cbor_body(message, payload), Encoding.CBOR
        else:
            return None
        is_valid = closed_validator(message, body["act"] if message == "job-order" else None).is_valid
        return (body, encoding) if is_valid(body) else None
    except (Doubt, LookupError, ValueError, TypeError, RecursionError, cbor2.CBORError):
        if message not in specification().messages:
            raise
        return None


# ------------------------------------------------------------------------------------------ JSON
def json_body(payload: bytes) -> dict[str, Any]:
    """A body whose text has no white space, no escape and no member twice; else raises Doubt or ValueError."""
    if b"\\" in payload or b" " in payload or b"\n" in payload or b"\t" in payload or b"\r" in payload:
        raise Doubt
    text = payload.decode("utf-8")
    body, end = _scan(text, 0)
    if end != len(text):
        raise Doubt
    # Without escapes a quote and a colon end a member's name: fewer members, and one came twice.
    if payload.count(b'":') != len(body):
        raise Doubt
    return body  # type: ignore[no-any-return]


def refuse(text: str) -> Any:
    """For what has no place in a message, such as a float."""
    raise Doubt


_scan = json.JSONDecoder(parse_float=refuse, parse_constant=refuse).raw_decode


# ------------------------------------------------------------------------------------------ CBOR
def cbor_body(message: str, payload: bytes) -> dict[str, Any]:
    """A body in words, of a payload that is written in the one way there is; else raises.

    Every value has a shortest form (RFC 8949 section 4.2.1). The lengths of the shortest forms of all that was decoded
    add up to the length of the payload only if each of them was written so, no key came twice, nothing was of
    indefinite length and nothing stands behind: so nothing has to be written again to see it.
    Raises Doubt, LookupError, ValueError, TypeError or CBORError.
    """
    value = cbor2.loads(payload, semantic_decoders=NO_TAGS)
    table = fields_of(message, None if message != "job-order" else _act(value[2]))
    body: dict[str, Any] = {}
    size = 1 + len(value)  # Each key is a byte, as no field has a longer one.
    for key, part in value.items():
        # To Python the key true is 1, and a simple value its number.
        if key.__class__ is not int:
            raise Doubt
        name, words, convert = table[key]
        if words is not None:
            if part.__class__ is not int or part < 0:
                raise Doubt
            body[name] = words[part]
            size += 1  # No list of words is longer than what one byte numbers.
        elif convert is not None:
            body[name] = convert(part)
            size += size_of(part)
        else:
            body[name] = part
            if part.__class__ is int and part >= 0:
                size += (
                    3 if 0xFF < part < 0x10000 else 1 if part < 24 else 2 if part < 0x100 else _int_size(part)
                )
            else:
                size += size_of(part)
    if size != len(payload):
        raise Doubt
    keys = tuple(value)
    if keys not in _ORDERS and not _rising(keys):
        raise Doubt
    return body


def _act(number: Any) -> str:
    return _word(_acts(), number)


@cache
def _acts() -> tuple[str, ...]:
    return tuple(specification().words("act"))


_ORDERS: set[tuple[int, ...]] = set()
"""Keys that were seen to rise."""


def _rising(keys: tuple[int, ...]) -> bool:
    if list(keys) != sorted(keys):
        return False
    if len(_ORDERS) < _ORDERS_KEPT:
        _ORDERS.add(keys)
    return True


def _int_size(value: int) -> int:
    """Bytes of an integer's shortest form. Raises Doubt for one that needs a tag."""
    argument = max(value, ~value)
    if argument < ONE_BYTE:
        return 1
    if argument < 0x100:
        return 2
    if argument < 0x10000:
        return 3
    if argument < 0x1_0000_0000:
        return 5
    if argument < 0x1_0000_0000_0000_0000:
        return 9
    raise Doubt


def size_of(value: Any) -> int:
    """Bytes of the shortest form of an integer, text, truth or array of them; raises Doubt for anything else."""
    kind = value.__class__
    if kind is int and value >= 0:
        return 1 if value < ONE_BYTE else 2 if value < 0x100 else 3 if value < 0x10000 else _int_size(value)
    if kind is bool:
        return 1
    if kind is str:
        length = len(value) if value.isascii() else len(value.encode())
        return length + 1 if length < 24 else length + _int_size(length)
    if kind is int:
        return _int_size(value)
    if kind is not list:
        raise Doubt
    size = _int_size(len(value))
    for part in value:
        size += size_of(part)
    return size


# ------------------------------------------------------------------------------------------ words
def to_words(message: str, value: Mapping[Any, Any]) -> dict[str, Any]:
    """Names for keys, words for integers, and nothing is judged: for what is known to be sound.

    Raises LookupError or Doubt for what the schema does not have.
    """
    table = fields_of(message, None if message != "job-order" else _act(value[2]))
    body = {}
    for key, part in value.items():
        name, words, convert = table[key]
        if words is not None:
            body[name] = _word(words, part)
        else:
            body[name] = part if convert is None else convert(part)
    return body


@cache
def fields_of(message: str, act: str | None) -> dict[int, _Field]:
    """The fields of a message by key. Raises KeyError for an unknown message or act."""
    shape = shape_of(message, act)
    kinds = ((key, name, shape.fields[name]) for name, key in shape.keys.items())
    return {key: _Field(name, kind.words or None, _array_of(kind)) for key, name, kind in kinds}


def _word(words: tuple[str, ...], value: Any) -> str:
    if value.__class__ is not int or value < 0:
        raise Doubt
    return words[value]


def _convert(kind: Kind) -> Convert | None:
    """How to turn a value of this kind into words; None where it has none."""
    if kind.words:
        return lambda value: _word(kind.words, value)
    return _array_of(kind)


def _array_of(kind: Kind) -> Convert | None:
    entries = tuple(map(_convert, kind.first))
    rest = _convert(kind.rest) if kind.rest is not None else None
    if rest is None and not any(entries):
        return None

    def array(value: Any) -> list[Any]:
        if type(value) is not list:
            raise Doubt
        converted = []
        for position, part in enumerate(value):
            convert = entries[position] if position < len(entries) else rest
            converted.append(part if convert is None else convert(part))
        return converted

    return array


@cache
def closed_validator(message: str, act: str | None) -> jsonschema_rs.Draft202012Validator:
    """The compiled closed schema of a message, of a job-order the fragment of its act alone."""
    import jsonschema_rs

    spec = specification()
    schema = spec.messages[message] if act is None else spec.acts[act]
    resources = list(schema_set(closed=True).items())
    registry = jsonschema_rs.Registry(resources, retriever=refuse)
    return jsonschema_rs.Draft202012Validator(dict(schema), registry=registry, retriever=refuse)
