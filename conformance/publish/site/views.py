"""What the pages of the site show, taken from the specification: fields, sizes, examples, refusals."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from importlib import resources
from typing import Any

from conformance.publish.site.byte_dump import Piece, TextPiece, told, told_in_json
from protocol.codec import encode
from protocol.codec.shape import Kind, shape_of
from protocol.finding import Finding
from protocol.site import Encoding
from protocol.sizes import Size, worst_sizes
from protocol.specification import STATE_MESSAGES, Requirement, Schema, Specification, specification
from protocol.validation import read_message, read_publication

CHAPTERS = {
    "LNK": "Link: connecting over MQTT",
    "ENC": "Encoding: bytes",
    "MSG": "Messages: what state messages say",
    "ORD": "Orders",
    "CLM": "Claim: who may order",
    "HLD": "Hold",
    "FLT": "Faults",
    "CRN": "Crane",
    "BER": "Berth",
    "SHT": "Shuttle",
    "SUP": "Supervisor",
    "BEN": "Bench",
    "SAF": "Safety: what no message can do",
    "SER": "Serial: boards without a network",
}
"""The chapters of the requirements in words."""

OF_MESSAGE = {
    "crane-status": ("CRN", "MSG"),
    "train-arrival": ("BER", "MSG"),
    "shuttle-status": ("SHT", "MSG"),
    "fault": ("FLT",),
    "node-status": ("MSG",),
    "job-order": ("ORD", "HLD"),
    "job-report": ("ORD",),
    "yard-map": (),
}
"""Chapters that speak of a message even where they do not name it."""


@dataclass(frozen=True, slots=True)
class FieldRow:
    """One field as the table of a message shows it."""

    name: str
    key: int
    description: str
    values: str
    words: tuple[tuple[int, str, str], ...]
    unit: str
    needed: str
    since: int = 0


@dataclass(frozen=True, slots=True)
class Example:
    """A message in both encodings, every byte of each explained."""

    json: str
    members: tuple[TextPiece, ...]
    size: int
    pieces: tuple[Piece, ...]


@dataclass(frozen=True, slots=True)
class SizeRow:
    """The longest of a message."""

    name: str
    size: Size


@dataclass(frozen=True, slots=True)
class Refused:
    """A payload of the vectors that is not valid, with what the validator says now."""

    name: str
    shown: str
    findings: tuple[Finding, ...]


def field_rows(message: str, act: str | None = None) -> list[FieldRow]:
    """The fields of a message or an act, by their CBOR keys."""
    shape = shape_of(message, act)
    rows = [
        FieldRow(
            name=name,
            key=shape.keys[name],
            description=_described(kind)
            or str(specification().common["$defs"].get(name, {}).get("description", "")),
            values=f"always '{act}'" if name == "act" and act else _values(kind),
            words=() if name == "act" and act else _words(kind),
            unit=_unit(kind),
            needed="yes" if name in shape.schema["required"] else "",
            since=int(shape.schema["properties"][name].get("since", 0)),
        )
        for name, kind in shape.fields.items()
    ]
    return sorted(rows, key=lambda row: row.key)


def _described(kind: Kind) -> str:
    inner = kind.rest.description if kind.rest is not None else ""
    return f"{kind.description}; each: {inner}" if inner and kind.description != inner else kind.description


def _unit(kind: Kind) -> str:
    parts = [kind.unit, *(part.unit for part in kind.rest.first)] if kind.rest is not None else [kind.unit]
    return ", ".join(dict.fromkeys(part for part in parts if part))


def _words(kind: Kind) -> tuple[tuple[int, str, str], ...]:
    words = kind.words or (kind.rest.words if kind.rest is not None else ())
    meanings = kind.meanings or (kind.rest.meanings if kind.rest is not None else {})
    return tuple((number, word, meanings.get(word, "")) for number, word in enumerate(words))


def _values(kind: Kind) -> str:
    schema = kind.schema
    if kind.words:
        return ""
    match schema.get("type"):
        case "integer":
            return f"{schema['minimum']} to {schema['maximum']}"
        case "boolean":
            return "true or false"
        case "string":
            allowed = schema["not"]["pattern"][2:-1]
            characters = "printable ASCII" if allowed == " -~" else allowed
            return f"{schema.get('minLength', 0)} to {schema['maxLength']} of {characters}"
        case "array":
            return _array_values(kind)
    return ""


def _array_values(kind: Kind) -> str:
    if kind.first:
        return "[" + ", ".join(_values(part) or "a word" for part in kind.first) + "]"
    assert kind.rest is not None
    count = f"{kind.schema.get('minItems', 0)} to {kind.schema['maxItems']}"
    each = "words" if kind.rest.words else f"times {_values(kind.rest)}"
    return f"{count} {each}" + (", none twice" if kind.schema.get("uniqueItems") else "")


def conditions(schema: Schema) -> list[str]:
    """What a schema asks beyond its list of fields, in words."""
    said = [
        f"{name} goes with {' and '.join(needed)}."
        for name, needed in schema.get("dependentRequired", {}).items()
    ]
    for part in [schema, *schema.get("dependentSchemas", {}).values()]:
        if "if" in part:
            ((name, rule),) = part["if"]["properties"].items()
            said += _branch(f"With {name} '{rule['const']}'", part.get("then", {}))
            said += _branch(f"With any other {name}", part.get("else", {}))
    return said


def _branch(start: str, part: Schema) -> Iterator[str]:
    if needed := part.get("required"):
        yield f"{start}: {', '.join(needed)} {'is' if len(needed) == 1 else 'are'} needed."
    if "propertyNames" in part:
        yield f"{start}: only {', '.join(part['propertyNames']['enum'])}."
    for name, rule in part.get("properties", {}).items():
        if rule is False:
            yield f"{start}: no {name}."
        elif "const" in rule:
            yield f"{start}: {name} is '{rule['const']}'."
        elif "not" in rule:
            yield f"{start}: {name} is not '{rule['not']['const']}'."


def example_of(message: str, schema: Schema) -> Example | None:
    """The first example of a schema in both encodings, or None where it has none; of a job-order that of a transfer."""
    bodies = schema.get("examples", ())
    if not bodies and message == "job-order":
        bodies = specification().acts["transfer"]["examples"]
    if not bodies:
        return None
    pieces = told(message, bodies[0])
    text = encode(message, bodies[0], Encoding.JSON).decode()
    return Example(
        text, told_in_json(message, bodies[0]), len(encode(message, bodies[0], Encoding.CBOR)), pieces
    )


def size_rows(message: str | None = None, act: str | None = None) -> list[SizeRow]:
    """The longest messages; of one message (and act), without its name, if one is named."""
    found = [
        row
        for row in worst_sizes()
        if message is None or (row.message == message and (act is None or row.act == act))
    ]
    name = message is None or (message == "job-order" and act is None)
    return [SizeRow(" ".join(filter(None, (row.message, row.act))) if name else "", row) for row in found]


def timing_of(spec: Specification, message: str) -> list[tuple[str, str]]:
    """When a message is sent, from timing.toml."""
    if message == "node-status":
        figures = {"first message of every connection, on change, and at least every": "status_repeat"}
    elif message in STATE_MESSAGES:
        figures = {"on every change, and at least every": "state_repeat"}
    elif message == "job-report":
        figures = {"on every change of the job, and as the answer to an order within": "answer"}
    elif message == "job-order":
        figures = {"again, while unanswered, after": "order_repeat"}
    else:
        return [("when", "on every change")]
    return [("when", f"{words} {spec.timing[name]}") for words, name in figures.items()]


def rules_of_message(spec: Specification, message: str) -> list[Requirement]:
    """Requirements that name the message, and all of the chapters that are about it."""
    about = OF_MESSAGE.get(message, ())
    named = re.compile(rf"(?<![\w-]){re.escape(message)}(?![\w-])")
    return [
        rule
        for rule in spec.requirements.values()
        if rule.chapter in about or (named.search(rule.says) and rule.chapter != "SER")
    ]


def rules_of_act(spec: Specification, act: str) -> list[Requirement]:
    """Requirements that name the act. 'to run' is the verb, not the act."""
    named = re.compile(rf"(?<!to )(?<![\w-]){re.escape(act)}(?![\w-])")
    return [rule for rule in spec.requirements.values() if named.search(rule.says)]


def refused(message: str, act: str | None, most: int = 12) -> list[Refused]:
    """Vectors of a message that are not valid; those of one act if one is named."""
    file = resources.files("protocol").joinpath("v1", "vectors", f"{message}.json")
    rows = [row for row in json.loads(file.read_text(encoding="utf-8")) if not row["valid"]]
    found = [_refused(message, row) for row in rows if act is None or _act(message, row) == act]
    return [row for row in found if row.findings][:most]


def _act(message: str, row: Mapping[str, Any]) -> str:
    body = read_message(message, bytes.fromhex(row["hex"]), closed=False).body
    if body is not None:
        return str(body.get("act", ""))
    match = re.search(r'"act":"([a-z-]+)"', str(row.get("text", "")))
    return match[1] if match else ""


def _refused(message: str, row: Mapping[str, Any]) -> Refused:
    payload = bytes.fromhex(row["hex"])
    if "topic" in row:
        reading = read_publication(row["topic"], payload, retain=row.get("retain"), qos=row.get("qos"))
        around = f"on {row['topic']}: "
    else:
        reading, around = read_message(message, payload, closed=True), ""
    plain = str(row.get("text", "")).isprintable() and row.get("text")
    shown = str(row["text"]) if plain else payload.hex(" ")
    return Refused(
        row["name"], around + (shown if len(shown) <= 160 else shown[:160] + " ..."), reading.findings
    )


def sender_in_words(spec: Specification, message: str) -> str:
    """Who sends a message."""
    rule = spec.topics[message]
    if rule.sender != "node":
        return f"the {rule.sender}, to one node ({', '.join(rule.roles)})"
    every = set(rule.roles) == set(spec.words("role"))
    return "every node" if every else f"a node of role {', '.join(rule.roles)}"


NO_GUARDS = {
    "unreadable": "The payload is no message, or half an order.",
    "raise-mark": "Always: the mark goes up to the id of the order, and the checks go on.",
    "fit": "None of the checks above has decided.",
}
"""What the rows of the table `order` that are no question stand for."""
