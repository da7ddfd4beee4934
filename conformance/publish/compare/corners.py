"""The corner messages of a schema: if a reader takes all of them, it takes every message of the schema.

The schemas restrict each field by itself (range, words, length, characters, number of entries) and beyond that only
by which fields stand together. So it is enough to look at each field at its ends, at every word, at every character,
and at the fewest fields, each optional group alone, and all fields, in every alternative.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from typing import Any

from conformance.publish.model import Field, NotExpressible, Variant, field_of, merged, variants
from protocol.specification import Schema, Specification

Body = dict[str, Any]
PRINTABLE = [chr(code) for code in range(0x20, 0x7F)]


def corners(spec: Specification, schema: Schema) -> Iterator[Body]:
    """The corner messages of a message or an act, the plainest first."""
    for variant in variants(spec, schema):
        values = {name: list(ends(spec, field)) for name, field in variant.fields.items()}
        for present in _presences(variant):
            plain = {name: values[name][0] for name in variant.fields if name in present}
            yield plain
            for name in plain:
                yield from ({**plain, name: value} for value in values[name][1:])


def _presences(variant: Variant) -> Iterator[frozenset[str]]:
    """The fewest fields; each optional one with what it needs; all."""
    yield variant.required
    for name in variant.optional:
        yield variant.required | {name} | variant.needs.get(name, frozenset())
    yield frozenset(variant.fields)


def ends(spec: Specification, field: Field) -> Iterator[Any]:
    """The values of a field at its ends."""
    if field.words:
        yield from field.allowed
    else:
        yield from _ends(spec, field.schema)


def ends_of(spec: Specification, schema: Schema) -> list[Any]:
    """The values at the ends of a kind of value that stands in an array."""
    return list(_ends(spec, schema))


def _ends(spec: Specification, schema: Schema) -> Iterator[Any]:
    if "const" in schema:
        yield schema["const"]
        return
    if "enum" in schema:
        yield from schema["enum"]
        return
    match schema.get("type"):
        case "integer":
            yield from dict.fromkeys((schema["minimum"], schema["maximum"]))
        case "boolean":
            yield from (False, True)
        case "string":
            yield from _texts(schema)
        case "array":
            yield from _arrays(spec, schema)
        case _:
            raise NotExpressible(str(dict(schema)))


def _texts(schema: Schema) -> Iterator[str]:
    """Shortest, longest, and every character that is allowed."""
    refused = re.compile(schema["not"]["pattern"]) if "not" in schema else None
    allowed = [character for character in PRINTABLE if refused is None or not refused.search(character)]
    least, most = schema.get("minLength", 0), schema["maxLength"]
    yield allowed[-1] * least
    yield allowed[-1] * most
    if most:
        length = max(least, 1)
        yield from (character * length for character in allowed)


def _arrays(spec: Specification, schema: Schema) -> Iterator[list[Any]]:
    if "prefixItems" in schema:
        columns = [list(_ends(spec, merged(spec, part))) for part in schema["prefixItems"]]
        plain = [column[0] for column in columns]
        yield plain
        for position, column in enumerate(columns):
            yield from ([*plain[:position], value, *plain[position + 1 :]] for value in column[1:])
        return
    entries = list(_ends(spec, merged(spec, schema["items"])))
    least, most = schema.get("minItems", 0), schema["maxItems"]
    if not most:
        yield []
        return
    if schema.get("uniqueItems"):
        yield from (entries[:count] for count in dict.fromkeys((least, min(most, len(entries)))))
        yield from ([entry, *[e for e in entries if e != entry][: max(least, 1) - 1]] for entry in entries)
        return
    yield from ([entries[0]] * count for count in dict.fromkeys((least, most)))
    yield from ([entry] * max(least, 1) for entry in entries[1:])


def named(spec: Specification, schema: Schema) -> Mapping[str, Field]:
    """The fields of a message or an act."""
    return {name: field_of(spec, name, part) for name, part in schema["properties"].items()}
