"""The tables of the node in MicroPython: fields, words, transitions, faults and figures."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any

from conformance.publish.artefacts import names
from conformance.publish.firmware import order_table
from conformance.publish.model import field_of
from protocol.specification import STATE_OF_ROLE, Specification

HEAD = '''\
"""Protocol {major}.{minor}, as far as a node needs it.

Made from the specification by `python -m conformance.publish.firmware`; do not edit.
"""
'''
ROLES = ("crane", "berth", "shuttle")
SHARED = ("node-status", "fault", "job-report")
TIMES = {
    "REPEAT_MS": ("state_repeat", "most"),
    "STATUS_REPEAT_MS": ("status_repeat", "most"),
    "BAD_MESSAGE_GAP_MS": ("bad_message_gap", "least"),
    "RECONNECT_LEAST_MS": ("reconnect", "least"),
    "SETTLING_MS": ("settling", "value"),
    "LINE_BEAT_MS": ("line_beat", "most"),
    "LINE_SILENCE_MS": ("line_silence", "value"),
}
NUMBERS = {0: (0, 0xFF), 1: (0, 0xFFFF), 2: (0, 0xFFFFFFFF), order_table.FROM_ONE: (1, 0xFFFFFFFF)}
SIGNED = (-0x8000, 0x7FFF)


def tables(spec: Specification) -> str:
    """The text of tables.py."""
    return "".join(_parts(spec))


def _parts(spec: Specification) -> Iterator[str]:
    yield HEAD.format(major=spec.major, minor=spec.minor)
    yield f'\nMINOR = {spec.minor}\nROOT = "{spec.root}"\nEVERYONE = "{spec.everyone}"\n'
    yield f"DEPTH_MOST = {spec.most('depth')}\nFRAME_MOST = {spec.most('frame')}\n"
    yield f"CLIENT_ID_MOST = {spec.most('client_id')}\n"
    yield from (f"{name} = {getattr(spec.timing[of], side)}\n" for name, (of, side) in TIMES.items())
    yield "\n# Words; a word's position is its integer in CBOR.\n"
    yield from (f"{name} = {words!r}\n" for name, words in _used_words(spec).items())
    yield from _said(spec)
    yield from _orders(spec)
    yield from _machines(spec)
    yield from _faults(spec)
    yield from _line(spec)


def _rows(comment: str, name: str, rows: Iterable[str], around: str = "()") -> str:
    body = "".join(f"    {row},\n" for row in rows)
    return f"\n# {comment}\n{name} = {around[0]}\n{body}{around[1]}\n"


# ---------------------------------------------------------------- words


def _constant(spec: Specification, words: tuple[str, ...]) -> str:
    """What the words of a field are called in the module."""
    return next(name for name, found in names.words(spec).items() if found == words).upper().replace("-", "_")


def _words_of(spec: Specification, name: str, part: Any) -> tuple[str, ...]:
    """The words of a field, or of the entries of one that is a list; none for other fields."""
    field = field_of(spec, name, part)
    if field.words:
        return field.words
    entries = field.schema.get("items", {}) if field.schema.get("type") == "array" else {}
    kind = str(entries.get("$ref", "")).rpartition("/$defs/")[2]
    return tuple(spec.common["$defs"].get(kind, {}).get("enum", ()))


def _used_words(spec: Specification) -> dict[str, tuple[str, ...]]:
    found = [
        _words_of(spec, name, part)
        for message in _messages()
        for name, part in spec.messages[message]["properties"].items()
    ]
    found += [_order_words(spec, field) for field in order_table.fields(spec)]
    found.append(tuple(spec.words("sensor")))
    return {_constant(spec, words): words for words in dict.fromkeys(found) if words}


# ---------------------------------------------------------------- messages


def _messages() -> tuple[str, ...]:
    return (*SHARED, *(STATE_OF_ROLE[role] for role in ROLES))


def _said(spec: Specification) -> Iterator[str]:
    rows = []
    for message in _messages():
        fields = sorted(
            spec.messages[message]["properties"].items(), key=lambda item: int(item[1]["cborKey"])
        )
        listed = []
        for name, part in fields:
            words = _words_of(spec, name, part)
            listed.append(f'("{name}", {int(part["cborKey"])}, {_constant(spec, words) if words else None})')
        rows.append(f'"{message}": ({", ".join(listed)})')
    yield _rows(
        "What a node says: name, CBOR key and words of each field, in the order of the keys.",
        "SAID",
        rows,
        "{}",
    )
    yield _rows(
        "The state message of each role.",
        "STATE_OF_ROLE",
        [f'"{r}": "{STATE_OF_ROLE[r]}"' for r in ROLES],
        "{}",
    )


# ---------------------------------------------------------------- orders


def _order_words(spec: Specification, field: order_table.Field) -> tuple[str, ...]:
    if field.kind != order_table.WORD:
        return ()
    part = next(s["properties"][field.name] for s in spec.acts.values() if field.name in s["properties"])
    return field_of(spec, field.name, part).words


def _order_field(spec: Specification, field: order_table.Field) -> str:
    """Name, kind and limit as the reader of orders takes them."""
    sensor = _constant(spec, tuple(spec.words("sensor")))
    kinds = {
        order_table.NUMBER: ("number", NUMBERS.get(field.limit)),
        order_table.WORD: ("word", _constant(spec, _order_words(spec, field) or tuple(spec.words("act")))),
        order_table.LABEL: ("label", field.limit),
        order_table.SIGNED: ("number", SIGNED),
        order_table.TARGET: ("target", (*SIGNED, field.limit)),
        order_table.INPUTS: ("inputs", f"({sensor}, {field.limit})"),
    }
    kind, limit = kinds[field.kind]
    return f'("{field.name}", "{kind}", {limit})'


def _orders(spec: Specification) -> Iterator[str]:
    found = order_table.fields(spec)
    if [field.key for field in found] != list(range(len(found))):
        raise ValueError("the reader of orders finds a field by its place: keys go from 0 on without a gap")
    yield _rows(
        "The fields of an order by CBOR key: name, kind, and limits, words or length.",
        "ORDER_FIELDS",
        (_order_field(spec, field) for field in found),
    )
    acts = []
    for act, schema in spec.acts.items():
        needs, takes = (
            order_table.mask(found, schema["required"]),
            order_table.mask(found, schema["properties"]),
        )
        acts.append(f'"{act}": (0x{needs:06X}, 0x{takes:06X})')
    yield _rows(
        "By act: the keys that it needs, and those that it takes, a bit each.", "ORDER_ACTS", acts, "{}"
    )
    groups = (f"0x{order_table.mask(found, group):06X}" for group in order_table.together(spec))
    yield _rows("Keys that come all or not at all.", "TOGETHER", groups)
    yield _rows("The acts that are jobs.", "JOBS", (f'"{act}"' for act in spec.acts if act in spec.jobs))
    taken = (f'"{role}": {tuple(a for a in spec.acts if a in spec.acts_of(role))!r}' for role in ROLES)
    yield _rows("The acts that a role takes.", "ACTS_OF", taken, "{}")


# ---------------------------------------------------------------- machines, faults, the line


def _machines(spec: Specification) -> Iterator[str]:
    yield _rows(
        "The state that each role starts in.",
        "INITIAL",
        (f'"{r}": "{spec.tables[r].initial}"' for r in ROLES),
        "{}",
    )
    rows = []
    for role in ROLES:
        listed = "".join(
            f"        {(row.state, row.event, row.guard, row.next)!r},\n"
            for row in spec.tables[role].transitions
        )
        rows.append(f'"{role}": (\n{listed}    )')
    yield _rows("Transitions: state, event, guard, next state.", "ROWS", rows, "{}")


def _faults(spec: Specification) -> Iterator[str]:
    codes = tuple(spec.words("fault_code"))
    yield f"\nFAULTS = {_constant(spec, codes)}\n"
    levels = (f'"{code}": "{spec.fault_level(code)}"' for code in codes)
    yield _rows("How bad each fault is.", "FAULT_LEVELS", levels, "{}")


def _line(spec: Specification) -> Iterator[str]:
    kinds = (f'"{kind.name}": {kind.number}' for kind in spec.line_kinds.values())
    yield _rows("Serial line: kinds of frame.", "LINE_KINDS", kinds, "{}")
    fields = spec.line_fields.values()
    keys = (f'"{one.name}": {one.key}' for one in fields)
    yield _rows("CBOR keys of 'here' and 'bus'.", "LINE_KEYS", keys, "{}")
    yield f"\nLINE_STATE = {tuple(next(one.words for one in fields if one.name == 'state'))!r}\n"
