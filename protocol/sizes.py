"""How long a message can become, computed from the schemas alone, and the sizes of the packets that carry it.

MQTT packet sizes follow sections 2.2.3 (remaining length), 3.1 (CONNECT) and 3.3 (PUBLISH) of MQTT 3.1.1.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from itertools import product
from typing import Any

from protocol.codec import encode
from protocol.codec.shape import Kind, Shape, shape_of
from protocol.codec.value import Value
from protocol.schemas import is_valid
from protocol.site import Encoding
from protocol.specification import Schema, specification
from protocol.topics import parse_topic

_CONDITIONS = ("if", "then", "else", "dependentSchemas")


@dataclass(frozen=True, slots=True)
class Size:
    """The longest of one message (of one act): sizes in bytes, and a valid body that reaches them."""

    message: str
    act: str | None
    encoding: Encoding
    topic: int
    payload: int
    body: Mapping[str, Value]

    @property
    def sum(self) -> int:
        """Topic plus payload."""
        return self.topic + self.payload

    @property
    def publish(self) -> int:
        """The whole PUBLISH at QoS 1."""
        return publish_size(self.topic, self.payload, qos=1)

    @property
    def most(self) -> int:
        """What limits.toml allows: of topic plus payload, or of the payload of a yard-map."""
        limit = size_limit(self.message, self.encoding)
        return specification().most("publish_yard_map") if limit is None else limit

    @property
    def fits(self) -> bool:
        """Whether the message can never be longer than it may be [ENC-07]."""
        spec = specification()
        if size_limit(self.message, self.encoding) is None:
            return self.payload <= self.most
        small = self.encoding is Encoding.JSON or self.publish <= spec.most("packet")
        return self.sum <= self.most and small


def size_limit(message: str, encoding: Encoding) -> int | None:
    """Most bytes of topic plus payload [ENC-07]; None for a message that is limited in its payload alone."""
    spec = specification()
    return None if message in spec.size_exceptions else spec.most(f"publish_{encoding.value}")


def longest_payload(topic: str, encoding: Encoding) -> int:
    """Most bytes of a payload on `topic` [ENC-07]. Raises NotATopic where it is none of the protocol's."""
    limit = size_limit(parse_topic(topic).message, encoding)
    return specification().most("publish_yard_map") if limit is None else limit - len(topic.encode())


def topic_and_payload(topic: str, payload: bytes) -> int:
    """Bytes of topic plus payload: what the limits of a message speak of."""
    return len(topic.encode()) + len(payload)


@cache
def worst_sizes() -> tuple[Size, ...]:
    """The longest of every message, of a job-order by act, in both encodings."""
    spec = specification()
    rows: list[tuple[str, str | None]] = [
        (message, None) for message in spec.messages if message != "job-order"
    ]
    rows += [("job-order", act) for act in spec.acts]
    return tuple(_worst(message, act, encoding) for message, act in rows for encoding in Encoding)


def _worst(message: str, act: str | None, encoding: Encoding) -> Size:
    body = max(_fullest(message, act, encoding), key=lambda body: len(encode(message, body, encoding)))
    payload = len(encode(message, body, encoding))
    return Size(message, act, encoding, longest_topic(message), payload, body)


def longest_topic(message: str) -> int:
    """Bytes of the longest topic of `message`. Raises KeyError for an unknown one."""
    spec = specification()
    labels = {kind: "x" * spec.common["$defs"][kind]["maxLength"] for kind in ("site", "node", "place")}
    return len(spec.topics[message].pattern.format(**labels))


def _fullest(message: str, act: str | None, encoding: Encoding) -> Iterator[dict[str, Value]]:
    """For every choice of words that conditions hang on: all fields that may stand together, at their most.

    The lengths of fields do not depend on each other, so the longest message is among these.
    """
    shape = shape_of(message, act)
    longest = {name: longest_value(kind, encoding) for name, kind in shape.fields.items()}
    choices = {
        name: shape.fields[name].words for name in sorted(_deciding(shape.schema)) if shape.fields[name].words
    }
    if act is not None:
        choices["act"] = (act,)
    for words in product(*choices.values()):
        body = longest | dict(zip(choices, words, strict=True))
        allowed = _without_forbidden(message, shape, body)
        if is_valid(message, allowed, closed=True):
            yield allowed


def _deciding(schema: Schema) -> set[str]:
    """The fields that a condition of the schema looks at or changes."""
    names: set[str] = set()
    for keyword in schema.keys() & set(_CONDITIONS):
        parts = schema[keyword].values() if keyword == "dependentSchemas" else [schema[keyword]]
        for part in parts:
            names |= set(part.get("properties", {})) | _deciding(part)
    return names


def _without_forbidden(message: str, shape: Shape, body: dict[str, Value]) -> dict[str, Value]:
    """`body` without the fields that its own words forbid."""
    from protocol.schema_findings import schema_findings

    found = schema_findings(message, shape, body, None, closed=True)
    forbidden = {path[0] for path, finding in found if finding.requirement == "ENC-06" and path[0] in body}
    return {name: value for name, value in body.items() if name not in forbidden}


def longest_value(kind: Kind, encoding: Encoding) -> Value:
    """The value of `kind` with the longest encoding."""
    schema = kind.schema
    if kind.words:
        return max(kind.words, key=lambda word: _length(kind, word, encoding))
    match schema.get("type"):
        case "integer":
            return max(
                schema["minimum"], schema["maximum"], key=lambda number: _length(kind, number, encoding)
            )
        case "boolean":
            return False
        case "string":
            return _longest_character(schema, encoding) * int(schema["maxLength"])
        case "array":
            return _longest_array(kind, encoding)
    raise ValueError(f"no longest value of {schema}")


def _longest_array(kind: Kind, encoding: Encoding) -> list[Value]:
    count = int(kind.schema["maxItems"])
    if kind.schema.get("uniqueItems") and kind.rest is not None:
        rest = kind.rest
        return sorted(rest.words, key=lambda word: _length(rest, word, encoding))[-count:]
    return [longest_value(kind.entry(position), encoding) for position in range(count)]


def _longest_character(schema: Schema, encoding: Encoding) -> str:
    """Of the printable ASCII characters that the pattern leaves, one that is longest; JSON escapes some."""
    import re

    refused = re.compile(schema["not"]["pattern"])
    allowed = [chr(code) for code in range(0x20, 0x7F) if not refused.search(chr(code))]
    return max(allowed, key=lambda character: _length(Kind(), character, encoding))


def _length(kind: Kind, value: Value, encoding: Encoding) -> int:
    from protocol.codec.cbor_bytes import encode_cbor
    from protocol.codec.json_text import encode_json

    if encoding is Encoding.JSON:
        return len(encode_json({"": value}))
    return len(encode_cbor(kind.words.index(value) if kind.words else value))


def remaining_length_size(remaining: int) -> int:
    """Bytes of the remaining length field (MQTT 3.1.1 section 2.2.3): 7 bits a byte."""
    return max(1, -(-remaining.bit_length() // 7))


def publish_size(topic: int, payload: int, *, qos: int) -> int:
    """Bytes of a whole PUBLISH (MQTT 3.1.1 section 3.3) with a topic and a payload of so many bytes."""
    remaining = 2 + topic + (2 if qos else 0) + payload
    return 1 + remaining_length_size(remaining) + remaining


def connect_size(
    client_id: int,
    will_topic: int | None,
    will_payload: int | None,
    user: int | None,
    password: int | None,
    version: str = "3.1.1",
) -> int:
    """Bytes of a whole CONNECT (MQTT 3.1.1 section 3.1) with fields of so many bytes; None for one that is left out.

    The variable header has 10 bytes (section 3.1.2); each field has 2 bytes of length in front. MQTT 5 adds
    empty property lists of one byte each, one to the header and one to a will (sections 3.1.2.11 and 3.1.3.2).
    """
    fields = (client_id, will_topic, will_payload, user, password)
    lists = 0 if version != "5" else 1 if will_topic is None else 2
    remaining = 10 + lists + sum(2 + field for field in fields if field is not None)
    return 1 + remaining_length_size(remaining) + remaining


def worst_connect(encoding: Encoding, version: str = "3.1.1") -> int:
    """Bytes of the longest CONNECT of a node; its will is a node-status [LNK-04, LNK-18]."""
    topic = longest_topic("node-status")
    parts = [specification().most(name) for name in ("client_id", "user_name", "password")]
    will = len(encode("node-status", longest_will(encoding), encoding))
    return connect_size(parts[0], topic, will, parts[1], parts[2], version)


def longest_will(encoding: Encoding) -> dict[str, Any]:
    """The body of the longest will."""
    bodies = _fullest("node-status", None, encoding)
    return next(body for body in bodies if body["state"] == "off")
