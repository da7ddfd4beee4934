"""A MicroPython module for firmware: the same constants as the C header, as dictionaries."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from typing import Any

from conformance.publish.artefacts import names
from protocol.specification import Specification, TopicRule

_HEAD = '''\
"""Yardwire protocol version {major}.{minor}: constants for firmware in MicroPython.

Made from the specification; do not edit.
"""
'''

_LEFT = '''

def left(deadline, uptime):
    """Milliseconds left until deadline, below 0 when it has passed, right across the wrap [ORD-10, ORD-11]."""
    difference = (deadline - uptime) & 0xFFFFFFFF
    return difference - 0x100000000 if difference & 0x80000000 else difference
'''


def micropython(spec: Specification) -> str:
    """The text of yardwire.py."""
    return "".join(_parts(spec))


def _parts(spec: Specification) -> Iterator[str]:
    yield _HEAD.format(major=spec.major, minor=spec.minor)
    yield f'\nMAJOR = {spec.major}\nMINOR = {spec.minor}\nROOT = "{spec.root}"\nEVERYONE = "{spec.everyone}"\n'
    yield _table("CBOR keys, by message and field.", "KEYS", names.keys(spec))
    found = {kind: list(words) for kind, words in names.words(spec).items()}
    yield _table("Words; a word's position is its integer in CBOR.", "WORDS", found)
    levels = {code: spec.fault_level(code) for code in spec.words("fault_code")}
    yield _table("How bad each fault is.", "FAULT_LEVELS", levels)
    yield _table("Longest payloads in bytes, without the topic.", "SIZES", names.sizes())
    kinds = {kind.name: kind.number for kind in spec.line_kinds.values()}
    yield _table("Serial line: kinds of frame.", "LINE_KINDS", kinds)
    fields = spec.line_fields.values()
    yield _table("CBOR keys of 'here' and 'bus'.", "LINE_KEYS", {one.name: one.key for one in fields})
    words = {one.name: list(one.words) for one in fields if one.words}
    yield _table("Their words; a word's position is its integer.", "LINE_WORDS", words)
    yield _table("Times and limits.", "FIGURES", names.figures(spec))
    tables = {
        table.name: [(row.state, row.event, row.guard, row.next, row.sends) for row in table.transitions]
        for table in spec.tables.values()
    }
    yield _table("State, event, guard, next state, what is sent.", "TABLES", tables)
    yield _table(
        "The state that each table starts in.", "INITIAL", {t.name: t.initial for t in spec.tables.values()}
    )
    checks = [(check.name, check.does, check.reason) for check in spec.order_checks]
    yield "\n# The checks of an order, in their order: the first that holds decides.\nORDER_CHECKS = (\n"
    yield "".join(f"    {check!r},\n" for check in checks) + ")\n"
    yield _LEFT
    yield from (_builder(rule) for rule in spec.topics.values())


def _table(comment: str, name: str, rows: Mapping[str, Any]) -> str:
    body = "".join(f"    {key!r}: {value!r},\n" for key, value in rows.items())
    return f"\n# {comment}\n{name} = {{\n{body}}}\n"


def _builder(rule: TopicRule) -> str:
    labels = re.findall(r"\{(\w+)\}", rule.pattern)
    pieces = [piece for piece in re.split(r"(\{\w+\})", rule.pattern) if piece]
    joined = " + ".join(piece[1:-1] if piece.startswith("{") else f'"{piece}"' for piece in pieces)
    name = f"topic_{rule.message.replace('-', '_')}"
    return f'\n\ndef {name}({", ".join(labels)}):\n    """Topic of {rule.message}."""\n    return {joined}\n'
