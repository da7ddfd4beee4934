"""CDDL (RFC 8610) of every payload in CBOR.

What CDDL cannot say is said in the file itself: deterministic encoding, sizes, and that an entry stands once.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

from conformance.publish.model import Field, NotExpressible, Variant, field_of, merged, schemas, variants
from protocol.specification import Schema, Specification

_HEAD = """\
; Yardwire protocol version {major}.{minor}: payloads in CBOR, as CDDL (RFC 8610).
; Made from the JSON Schemas; a word travels as its position in its list.
; CDDL cannot say, and the protocol asks besides:
;   deterministic encoding (RFC 8949 section 4.2.1), the sizes of limits.toml, and that no entry of
;   {unique} stands twice.
"""


def cddl(spec: Specification) -> str:
    """The text of the document; its first rule is a choice of all messages."""
    names = list(spec.messages)
    unique = [
        f"{message}.{name}"
        for message, _, schema in schemas(spec)
        for name, part in schema["properties"].items()
        if part.get("uniqueItems")
    ]
    parts = [
        _HEAD.format(major=spec.major, minor=spec.minor, unique=", ".join(unique)),
        f"yardwire-message = {' / '.join(names)}\n",
        "job-order = " + " / ".join(f"job-order-{act}" for act in spec.acts) + "\n",
    ]
    for message, act, schema in schemas(spec):
        rule = message if act is None else f"{message}-{act}"
        choices = " / ".join(_map(spec, variant) for variant in variants(spec, schema))
        parts.append(f"; {schema['description']}\n{rule} = {choices}\n")
    parts += list(_kinds(spec))
    return "\n".join(parts)


def _kinds(spec: Specification) -> Iterator[str]:
    for name, schema in spec.common["$defs"].items():
        unit = f" [{schema['unit']}]" if "unit" in schema else ""
        words = tuple(schema.get("enum", ()))
        yield f"; {schema['description']}{unit}\n{_id(name)} = {_type(spec, schema, words, words)}\n"


def _id(name: str) -> str:
    return name.replace("_", "-")


def _map(spec: Specification, variant: Variant) -> str:
    lines = [
        f"  {_entry(spec, field)}, ; {name}"
        for name, field in sorted(variant.fields.items(), key=lambda item: item[1].key)
        if name in variant.required
    ]
    lines += [f"  ? {_group(spec, variant, group)}" for group in _groups(variant)]
    return "{\n" + "\n".join(lines) + "\n}"


def _entry(spec: Specification, field: Field) -> str:
    if field.kind and field.allowed == field.words:
        kind = _id(field.kind)
    else:
        kind = _type(spec, field.schema, field.words, field.allowed)
    return f"{field.key}: {kind}"


def _with(variant: Variant, name: str) -> frozenset[str]:
    """An optional field and those that it needs."""
    return (variant.needs.get(name, frozenset()) - variant.required) | {name}


def _groups(variant: Variant) -> list[frozenset[str]]:
    """The outermost groups of optional fields: each stands together or not at all."""
    every = {_with(variant, name) for name in variant.optional}
    return sorted(
        (group for group in every if not any(other < group for other in every)),
        key=lambda group: min(variant.fields[name].key for name in group),
    )


def _group(spec: Specification, variant: Variant, group: frozenset[str]) -> str:
    """A group with what hangs on it: `part` only ever beside `changed`."""
    inner = [name for name in variant.optional if group < _with(variant, name)]
    if any(_with(variant, name) != group | {name} for name in inner):
        raise NotExpressible(f"optional fields that hang on more than one group: {inner}")
    names = [name for name in variant.fields if name in group]
    entries = [_entry(spec, variant.fields[name]) for name in names]
    entries += [f"? {_entry(spec, variant.fields[name])}" for name in inner]
    joined = entries[0] if len(entries) == 1 else "( " + ", ".join(entries) + " )"
    return f"{joined}, ; {', '.join(names + inner)}"


def _type(spec: Specification, schema: Schema, words: tuple[str, ...], allowed: tuple[str, ...]) -> str:
    if words:
        named = ", ".join(f"{word}: {words.index(word)}" for word in allowed)
        return str(words.index(allowed[0])) if len(allowed) == 1 else f"&( {named} )"
    match schema.get("type"):
        case "integer":
            return f"{schema['minimum']}..{schema['maximum']}"
        case "boolean":
            return "bool"
        case "string":
            return _text(schema)
        case "array":
            return _array(spec, schema)
    raise NotExpressible(str(schema))


def _text(schema: Schema) -> str:
    refused = re.fullmatch(r"\[\^(.+)\]", schema["not"]["pattern"])
    if refused is None:
        raise NotExpressible(schema["not"]["pattern"])
    return f'text .regexp "[{refused[1]}]{{{schema.get("minLength", 0)},{schema["maxLength"]}}}"'


def _array(spec: Specification, schema: Schema) -> str:
    if "prefixItems" in schema:
        return "[ " + ", ".join(_item(spec, part) for part in schema["prefixItems"]) + " ]"
    return f"[ {schema.get('minItems', 0)}*{schema['maxItems']} {_item(spec, schema['items'])} ]"


def _item(spec: Specification, part: Schema) -> str:
    if "$ref" in part:
        return _id(str(part["$ref"]).rpartition("/")[2])
    whole = merged(spec, part)
    words = field_of(spec, "", {**part, "cborKey": 0}).words
    return _type(spec, whole, words, words)
