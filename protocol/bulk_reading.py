"""Reading millions of publications: the same verdicts as `read_publication`, at a sixth of its time.

A message that is beyond doubt valid is recognised by a short way; every other goes through
`read_publication`, which alone knows what is wrong. So the short way may be timid, and is never a second
set of rules.
"""

from __future__ import annotations

import io
import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Any

import cbor2

from protocol.codec.shape import Kind, shape_of
from protocol.codec.untagged import NO_TAGS
from protocol.codec.value import is_plain
from protocol.schemas import schema_set
from protocol.site import Encoding
from protocol.sizes import longest_payload
from protocol.specification import specification
from protocol.topics import NotATopic, Topic, parse_topic
from protocol.validation import Reading, read_publication, readable_body

if TYPE_CHECKING:
    import jsonschema_rs

TOPICS_KEPT = 4096
"""Topics remembered; a bus with more of them is read all the same, only slower."""

_JSON_BODY = ord("{")
_SMALL_MAP = range(0xA0, 0xB8)
_INTEGERS = {int}

Convert = Callable[[Any], Any]
IsValid = Callable[[Any], bool]


class _Doubt(Exception):
    """Not beyond doubt valid."""


@dataclass(slots=True)
class _Way:
    """What has to be known of a topic once; `topic` is None where it is none of the protocol's."""

    topic: Topic | None
    most_cbor: int
    """Most bytes of a payload that fits, by its encoding."""
    most_json: int
    is_valid: IsValid | None = None
    """None until first used, and for a job-order, whose schema depends on its act."""


class BulkReader:
    """Reads publications as a subscriber got them (retain flag and QoS are the broker's, so not judged)."""

    def __init__(self, explained: int | None = None) -> None:
        """With `explained` only so many invalid messages are explained; the verdict is the same on all."""
        self._left = explained
        self._ways: dict[str, _Way] = {}
        self._orders: set[tuple[int, ...]] = set()
        self._longest = specification().most("publish_yard_map")
        self._everyone = specification().everyone
        self._encode = cbor2.CBOREncoder(io.BytesIO()).encode_to_bytes

    def topic(self, text: str) -> Topic | None:
        """The topic in its parts, or None where it is none of the protocol's."""
        return (self._ways.get(text) or self._learn(text)).topic

    def read(self, text: str, payload: bytes) -> Reading:
        """The same as `read_publication(text, payload, retain=None, qos=None)`."""
        way = self._ways.get(text) or self._learn(text)
        quick = self._quick(way, payload)
        if quick is not None:
            return Reading(*quick)
        explain = self.explains
        reading = read_publication(text, payload, retain=None, qos=None, explain=explain)
        if self._left and reading.findings:
            self._left -= 1
        return reading

    @property
    def explains(self) -> bool:
        """Whether the next message that is not valid will be explained."""
        return self._left is None or self._left > 0

    def _quick(self, way: _Way, payload: bytes) -> tuple[dict[str, Any], Encoding] | None:
        """Body and encoding of what is beyond doubt valid."""
        if way.topic is None or not payload:
            return None
        try:
            first = payload[0]
            if first in _SMALL_MAP and len(payload) <= way.most_cbor:
                body, encoding = self._cbor(way.topic, payload), Encoding.CBOR
            elif first == _JSON_BODY and len(payload) <= way.most_json:
                body, encoding = _json(payload), Encoding.JSON
            else:
                return None
            if (way.is_valid or self._validator_for(way, body))(body):
                return body, encoding
        except (_Doubt, LookupError, ValueError, TypeError, RecursionError):
            pass
        except cbor2.CBORError:
            # A value that cannot be written leaves the encoder half done.
            self._encode = cbor2.CBOREncoder(io.BytesIO()).encode_to_bytes
        return None

    def decode(self, text: str, payload: bytes) -> dict[str, Any] | None:
        """The body in words as a tolerant receiver uses it [ENC-09, ENC-10]; None where it can use nothing.

        The same as the body that `read` gives, without the time to find out what is wrong.
        """
        way = self._ways.get(text) or self._learn(text)
        if way.topic is None:
            return None
        body = self._overlooking(way, payload)
        return body if body is not None else readable_body(way.topic.message, payload)

    def _overlooking(self, way: _Way, payload: bytes) -> dict[str, Any] | None:
        """The body of what is beyond doubt readable: how it is written is not looked at, as for a receiver."""
        if payload[:1] == b"{":
            quick = self._quick(way, payload)
            return quick[0] if quick is not None else None
        if way.topic is None or not payload or payload[0] not in _SMALL_MAP or len(payload) > self._longest:
            return None
        try:
            value = _plain_map(
                payload,
                cbor2.loads(
                    payload, semantic_decoders=NO_TAGS, allow_duplicate_keys=False, allow_indefinite=False
                ),
            )
            body = _to_words(way.topic.message, value)
            return body if (way.is_valid or self._validator_for(way, body))(body) else None
        except (_Doubt, LookupError, ValueError, TypeError, RecursionError, cbor2.CBORError):
            return None

    def _learn(self, text: str) -> _Way:
        try:
            topic = parse_topic(text)
        except NotATopic:
            way = _Way(None, 0, 0)
        else:
            way = _Way(topic, longest_payload(text, Encoding.CBOR), longest_payload(text, Encoding.JSON))
        if len(self._ways) >= TOPICS_KEPT:
            self._ways.clear()
        self._ways[text] = way
        return way

    def _cbor(self, topic: Topic, payload: bytes) -> dict[str, Any]:
        # Too deep for cbor2 raises, too deep for the protocol has no schema.
        value = cbor2.loads(payload, semantic_decoders=NO_TAGS)
        # One way to write each message: written again it is the same bytes only if it was written that way.
        if self._encode(value) != payload:
            raise _Doubt
        value = _plain_map(payload, value)
        keys = tuple(value)
        if keys not in self._orders and not self._in_order(keys):
            raise _Doubt
        return _to_words(topic.message, value)

    def _in_order(self, keys: tuple[int, ...]) -> bool:
        if list(keys) != sorted(keys):
            return False
        if len(self._orders) < TOPICS_KEPT:
            self._orders.add(keys)
        return True

    def _validator_for(self, way: _Way, body: dict[str, Any]) -> IsValid:
        topic = way.topic
        assert topic is not None
        if topic.message != "job-order":
            way.is_valid = _validator(topic.message, None).is_valid
            return way.is_valid
        if topic.node == self._everyone and body["act"] != "hold":
            raise _Doubt
        return _validator(topic.message, body["act"]).is_valid


def _plain_map(payload: bytes, value: Any) -> dict[int, Any]:
    """`value` of `payload`, where the schema alone can judge it; else raises _Doubt."""
    # To Python the key true is 1, and a simple value its number.
    if set(map(type, value)) != _INTEGERS:
        raise _Doubt
    if (b"\xf9" in payload or b"\xfa" in payload or b"\xfb" in payload) and not is_plain(value):
        raise _Doubt  # To the schema a float of 1.0 is an integer.
    return value  # type: ignore[no-any-return]


def _json(payload: bytes) -> dict[str, Any]:
    """A body whose text has no white space, no escape and no member twice; else raises _Doubt or ValueError."""
    if b"\\" in payload or b" " in payload or b"\n" in payload or b"\t" in payload or b"\r" in payload:
        raise _Doubt
    text = payload.decode("utf-8")
    body, end = _scan(text, 0)
    if end != len(text):
        raise _Doubt
    # Without escapes a quote and a colon end a member's name: fewer members, and one came twice.
    if payload.count(b'":') != len(body):
        raise _Doubt
    return body  # type: ignore[no-any-return]


def _refuse(text: str) -> Any:
    raise _Doubt


_scan = json.JSONDecoder(parse_float=_refuse, parse_constant=_refuse).raw_decode


def _to_words(message: str, value: Mapping[Any, Any]) -> dict[str, Any]:
    """Names for keys, words for integers. Raises LookupError or _Doubt for what the schema does not have."""
    act = None
    if message == "job-order":
        act = specification().words("act")[value[2]]
    table = _table(message, act)
    body = {}
    for key, part in value.items():
        name, convert = table[key]
        body[name] = part if convert is None else convert(part)
    return body


@cache
def _table(message: str, act: str | None) -> dict[int, tuple[str, Convert | None]]:
    shape = shape_of(message, act)
    return {key: (name, _convert(shape.fields[name])) for name, key in shape.keys.items()}


def _convert(kind: Kind) -> Convert | None:
    """How to turn a value of this kind into words; None where it has none."""
    if kind.words:
        words = dict(enumerate(kind.words))

        def word(value: Any) -> Any:
            if type(value) is not int:
                raise _Doubt
            return words[value]

        return word
    entries = tuple(map(_convert, kind.first))
    rest = _convert(kind.rest) if kind.rest is not None else None
    if rest is None and not any(entries):
        return None

    def array(value: Any) -> list[Any]:
        if type(value) is not list:
            raise _Doubt
        converted = []
        for position, part in enumerate(value):
            convert = entries[position] if position < len(entries) else rest
            converted.append(part if convert is None else convert(part))
        return converted

    return array


@cache
def _validator(message: str, act: str | None) -> jsonschema_rs.Draft202012Validator:
    """The compiled closed schema of a message, of a job-order the fragment of its act alone."""
    import jsonschema_rs

    spec = specification()
    schema = spec.messages[message] if act is None else spec.acts[act]
    resources = list(schema_set(closed=True).items())
    registry = jsonschema_rs.Registry(resources, retriever=_refuse)
    return jsonschema_rs.Draft202012Validator(dict(schema), registry=registry, retriever=_refuse)


__all__ = ["BulkReader"]
