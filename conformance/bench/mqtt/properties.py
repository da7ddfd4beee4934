"""MQTT 5 properties (v5 section 2.2.2, table 2-4): which identifiers there are and how each is coded."""

from __future__ import annotations

from conformance.bench.mqtt.framing import Cursor, Malformed
from protocol.wire.packet import Properties, Value

KINDS: dict[int, tuple[str, str]] = {
    1: ("payload-format-indicator", "byte"),
    2: ("message-expiry-interval", "four"),
    3: ("content-type", "string"),
    8: ("response-topic", "string"),
    9: ("correlation-data", "binary"),
    11: ("subscription-identifier", "length"),
    17: ("session-expiry-interval", "four"),
    18: ("assigned-client-identifier", "string"),
    19: ("server-keep-alive", "two"),
    21: ("authentication-method", "string"),
    22: ("authentication-data", "binary"),
    23: ("request-problem-information", "byte"),
    24: ("will-delay-interval", "four"),
    25: ("request-response-information", "byte"),
    26: ("response-information", "string"),
    28: ("server-reference", "string"),
    31: ("reason-string", "string"),
    33: ("receive-maximum", "two"),
    34: ("topic-alias-maximum", "two"),
    35: ("topic-alias", "two"),
    36: ("maximum-qos", "byte"),
    37: ("retain-available", "byte"),
    38: ("user-property", "pair"),
    39: ("maximum-packet-size", "four"),
    40: ("wildcard-subscription-available", "byte"),
    41: ("subscription-identifier-available", "byte"),
    42: ("shared-subscription-available", "byte"),
}
REPEATABLE = frozenset({"user-property", "subscription-identifier"})


def read_properties(cursor: Cursor) -> Properties:
    """Read a property length and the properties behind it.

    Raises Malformed for an unknown identifier, a property over the end, or one that occurs twice and may not.
    """
    size = cursor.length("property length")
    end = cursor.at + size
    if end > len(cursor.data):
        raise Malformed("the properties run over the end of the packet", len(cursor.data))
    found: Properties = {}
    while cursor.at < end:
        start = cursor.at
        identifier = cursor.length("property identifier")
        if identifier not in KINDS:
            raise Malformed(f"there is no property {identifier}", start)
        name, kind = KINDS[identifier]
        if name in found and name not in REPEATABLE:
            raise Malformed(f"the property {name} occurs twice", start)
        found[name] = (*found.get(name, ()), _read_value(cursor, name, kind))
    if cursor.at != end:
        raise Malformed("the last property runs over the property length", end)
    return found


def _read_value(cursor: Cursor, name: str, kind: str) -> Value:
    match kind:
        case "byte":
            return cursor.byte(name)
        case "two":
            return cursor.word(name)
        case "four":
            return int.from_bytes(cursor.take(4, name), "big")
        case "length":
            return cursor.length(name)
        case "binary":
            return cursor.binary(name)
        case "pair":
            return cursor.string(name), cursor.string(name)
        case _:
            return cursor.string(name)
