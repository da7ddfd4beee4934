"""What the two ends of a serial line tell each other of the bus: `here` of the node, `bus` of its gateway.

Both are states that are said again and again, never events, so that a lost one costs nothing [SER-05, SER-10].
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING

from protocol.codec.cbor_bytes import decode_cbor, encode_cbor
from protocol.line_kinds import LineField
from protocol.schemas import schema_set
from protocol.specification import specification
from protocol.wire.serial.framing import Frame

if TYPE_CHECKING:
    import jsonschema_rs

Body = Mapping[str, int | str]


@dataclass(frozen=True, slots=True)
class Connection:
    """A connection of a node to the bus: the boot and the count that its will and its node-status carry."""

    boot: int
    link: int


@dataclass(frozen=True, slots=True)
class Here:
    """The node is there. With `site` and `name` it wants `connection`, without them it has it."""

    connection: Connection
    site: str = ""
    name: str = ""

    @property
    def wants(self) -> bool:
        """Whether the bus is not there for the node."""
        return bool(self.name)

    def frame(self) -> Frame:
        """As it goes over the line."""
        body: dict[str, int | str] = {
            "boot": self.connection.boot,
            "state": "off" if self.wants else "on",
            "link": self.connection.link,
        }
        if self.wants:
            body |= {"site": self.site, "node": self.name}
        return _frame("here", body)


@dataclass(frozen=True, slots=True)
class Bus:
    """How it is with `connection`: 'off', 'new' or 'on'."""

    connection: Connection
    state: str

    def frame(self) -> Frame:
        """As it goes over the line."""
        body: Body = {"boot": self.connection.boot, "state": self.state, "link": self.connection.link}
        return _frame("bus", body)


def read_here(payload: bytes) -> Here | None:
    """What a `here` says; None where it says nothing that can be believed."""
    body = _body("here", payload)
    if body is None:
        return None
    connection = Connection(int(body["boot"]), int(body["link"]))
    if body["state"] == "on":
        return Here(connection)
    if not {"site", "node"} <= body.keys() or body["node"] == specification().everyone:
        return None
    return Here(connection, str(body["site"]), str(body["node"]))


def read_bus(payload: bytes) -> Bus | None:
    """What a `bus` says; None where it says nothing that can be believed."""
    body = _body("bus", payload)
    return None if body is None else Bus(Connection(int(body["boot"]), int(body["link"])), str(body["state"]))


def _frame(kind: str, body: Body) -> Frame:
    spec = specification()
    return Frame(
        spec.line_kinds[kind].number,
        encode_cbor({_key(name): _number(name, value) for name, value in body.items()}),
    )


def _key(name: str) -> int:
    return specification().line_fields[name].key


def _number(name: str, value: int | str) -> int | str:
    words = specification().line_fields[name].words
    return words.index(str(value)) if words else value


def _body(kind: str, payload: bytes) -> dict[str, int | str] | None:
    """The fields that a payload has and that are known; unknown ones are ignored [ENC-09]."""
    walked = decode_cbor(payload)
    if walked.flaws or not isinstance(walked.value, dict):
        return None
    fields = [specification().line_fields[name] for name in specification().line_kinds[kind].fields]
    body: dict[str, int | str] = {}
    for one in fields:
        if one.key not in walked.value:
            continue
        value = _value(kind, one, walked.value[one.key])
        if value is None:
            return None
        body[one.name] = value
    return body if {"boot", "state", "link"} <= body.keys() else None


def _value(kind: str, one: LineField, value: object) -> int | str | None:
    """A value in words, None where it is none that the field may have."""
    if not one.words:
        return value if isinstance(value, int | str) and _validator(one.kind).is_valid(value) else None
    if not isinstance(value, int) or isinstance(value, bool) or not 0 <= value < len(one.words):
        return None
    word = one.words[value]
    return word if word in one.of[kind] else None


@cache
def _validator(kind: str) -> jsonschema_rs.Draft202012Validator:
    import jsonschema_rs

    return jsonschema_rs.Draft202012Validator(
        schema_set(closed=True)[specification().common["$id"]]["$defs"][kind]
    )
