"""Whether a specification is written in the dialect that can be reasoned about, and if not, what in it and where.

The dialect itself is a schema beside this file. What a schema cannot say of another one is checked here: that names
are those of fields, bounds are in order, and references lead somewhere and not round in a circle.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping
from functools import cache
from importlib import resources
from typing import Any, NoReturn

import jsonschema_rs

from conformance.publish.compare.corners import PRINTABLE, ends_of
from conformance.publish.compare.reader import Reader
from conformance.publish.model import NotExpressible, schemas, variants
from protocol.specification import Schema, Specification

JSON_SCHEMA = "https://json-schema.org/draft/2020-12/schema"
DEEPEST = 40
"""Steps of references and nested parts; the specification has five."""
SHOWN = 160


def require_expressible(spec: Specification) -> None:
    """Raise NotExpressible for the first thing that cannot be reasoned about, with its message and field."""
    _require_heads(spec)
    for message, act, schema in schemas(spec):
        name = f"{message} {act}" if act else message
        try:
            _require(spec, name, schema)
        except RecursionError as error:
            raise NotExpressible(f"{name}: parts within parts, too deep to follow") from error
    reader = Reader(spec)
    for message, act, _ in schemas(spec):
        try:
            reader.require_readable(message, act)
        except (ValueError, TypeError, jsonschema_rs.ReferencingError) as error:
            where = f"{message} {act}" if act else message
            raise NotExpressible(f"{where}: not a JSON Schema: {_first_line(error)}") from error


def _require(spec: Specification, name: str, schema: Schema) -> None:
    whole = _resolved(spec, schema, name, 0)
    error = next(_dialect().iter_errors(whole), None)
    if error is not None:
        raise NotExpressible(_told(name, error))
    for field, part in whole["properties"].items():
        _require_bounds(spec, f"{name}.{field}", part)
    _require_names(spec, name, whole)
    variants(spec, schema)


def _require_heads(spec: Specification) -> None:
    """Each schema is a map of its own name, and says which JSON Schema it is written in."""
    known: dict[str, str] = {}
    acts = ((f"job-order {act}", schema) for act, schema in spec.acts.items())
    files = [("common", spec.common), *spec.messages.items(), *acts]
    for name, schema in files:
        if not isinstance(schema, Mapping):
            raise NotExpressible(f"{name}: not a map")
        if schema.get("$schema") != JSON_SCHEMA:
            raise NotExpressible(f"{name}: $schema is not {JSON_SCHEMA}")
        urn = schema.get("$id")
        if not isinstance(urn, str) or not urn.startswith("urn:"):
            raise NotExpressible(f"{name}: $id is not a URN")
        if urn in known:
            raise NotExpressible(f"{name}: its $id is that of {known[urn]} too")
        known[urn] = name
        if name != "common" and schema.get("title") != name.removeprefix("job-order "):
            raise NotExpressible(f"{name}: title is not its name")
    kinds = spec.common.get("$defs")
    if not isinstance(kinds, Mapping) or not all(isinstance(part, Mapping) for part in kinds.values()):
        raise NotExpressible("common: $defs is not a map of kinds of value")
    words = kinds.get("act", {}).get("enum")
    if not isinstance(words, list) or not all(isinstance(word, str) for word in words):
        raise NotExpressible("common act: it has no list of words")


@cache
def _dialect() -> jsonschema_rs.Draft202012Validator:
    file = resources.files(__package__).joinpath("dialect.schema.json")
    return jsonschema_rs.Draft202012Validator(json.loads(file.read_text(encoding="utf-8")), retriever=_refuse)


def _refuse(uri: str) -> NoReturn:
    raise ValueError(f"{uri} is not part of the dialect, and nothing is fetched")


def _first_line(error: Exception) -> str:
    return next(iter(str(error).splitlines()), type(error).__name__)[:SHOWN]


def _told(name: str, error: jsonschema_rs.ValidationError) -> str:
    where = " ".join(map(str, error.instance_path))
    what = error.message if len(error.message) <= SHOWN else f"{error.message[:SHOWN]} ..."
    return f"{name}{', at ' + where if where else ''}: {what}"


# ---------------------------------------------------------------- references
def _resolved(spec: Specification, part: Any, name: str, depth: int) -> Any:
    """A part with every reference followed and every annotation of JSON Schema itself left out."""
    if depth > DEEPEST:
        raise NotExpressible(f"{name}: parts within parts, or references in a circle")
    if isinstance(part, list):
        return [_resolved(spec, entry, name, depth + 1) for entry in part]
    if not isinstance(part, Mapping):
        return part
    whole = dict(part)
    for _ in range(DEEPEST):
        if "$ref" not in whole:
            break
        whole = {**_target(spec, whole.pop("$ref"), name), **whole}
    else:
        raise NotExpressible(f"{name}: references in a circle")
    return {
        word: _resolved(spec, inner, name, depth + 1)
        for word, inner in whole.items()
        if word not in ("$schema", "$id", "$comment", "$defs")
    }


def _target(spec: Specification, reference: object, name: str) -> Mapping[str, Any]:
    urn, _, pointer = str(reference).partition("#/")
    target: Any = spec.by_urn.get(urn)
    for step in pointer.split("/") if pointer else ():
        target = target.get(step) if isinstance(target, Mapping) else None
    if not isinstance(target, Mapping):
        raise NotExpressible(f"{name}: the reference {str(reference)[:SHOWN]!r} leads nowhere")
    return target


# ---------------------------------------------------------------- fields
def _require_bounds(spec: Specification, where: str, part: Schema) -> None:
    for low, high in (("minimum", "maximum"), ("minLength", "maxLength"), ("minItems", "maxItems")):
        if low in part and high in part and part[low] > part[high]:
            raise NotExpressible(f"{where}: {low} {part[low]} is above {high} {part[high]}")
    if "not" in part:
        _require_characters(where, part["not"]["pattern"])
    if "prefixItems" in part:
        number = len(part["prefixItems"])
        if (part["minItems"], part["maxItems"]) != (number, number):
            raise NotExpressible(f"{where}: {number} prefixItems, but minItems or maxItems is not {number}")
    for entry in (*part.get("prefixItems", ()), *([part["items"]] if part.get("items") else ())):
        _require_bounds(spec, where, entry)
    if part.get("uniqueItems") and part.get("minItems", 0) > (number := len(ends_of(spec, part["items"]))):
        raise NotExpressible(
            f"{where}: more than {number} entries of this kind that differ are not looked for"
        )


def _require_characters(where: str, pattern: str) -> None:
    try:
        refused = re.compile(pattern)
    except re.error as error:
        raise NotExpressible(f"{where}: the pattern {pattern!r} cannot be read: {error}") from error
    if all(refused.search(character) for character in PRINTABLE):
        raise NotExpressible(f"{where}: the pattern {pattern!r} leaves no character")


# ---------------------------------------------------------------- names
def _require_names(spec: Specification, name: str, schema: Schema) -> None:
    fields = schema["properties"]
    keys = [part["cborKey"] for part in fields.values()]
    if doubled := sorted({key for key in keys if keys.count(key) > 1}):
        raise NotExpressible(f"{name}: two fields have the cborKey {doubled[0]}")
    for word, named in _named(schema):
        if named not in fields:
            raise NotExpressible(f"{name}: {word} names {named!r}, which is not a field of it")
    for word, named in _asked_for_words(schema):
        if "enum" not in fields[named] and "const" not in fields[named]:
            raise NotExpressible(f"{name}: {word} asks for a word of {named!r}, which has none")
    if "act" in fields and "const" in fields["act"] and fields["act"]["const"] not in spec.words("act"):
        raise NotExpressible(f"{name}.act: {fields['act']['const']!r} is no act")


def _named(schema: Schema) -> Iterator[tuple[str, str]]:
    """Every name of a field, with the keyword that names it."""
    yield from (("required", named) for named in schema.get("required", ()))
    for trigger, needed in schema.get("dependentRequired", {}).items():
        yield from (("dependentRequired", named) for named in (trigger, *needed))
    yield from (("dependentSchemas", trigger) for trigger in schema.get("dependentSchemas", {}))
    for condition in (schema, *schema.get("dependentSchemas", {}).values()):
        for word in ("if", "then", "else"):
            part = condition.get(word, {})
            yield from ((word, named) for named in (*part.get("required", ()), *part.get("properties", {})))
            yield from ((word, named) for named in part.get("propertyNames", {}).get("enum", ()))


def _asked_for_words(schema: Schema) -> Iterator[tuple[str, str]]:
    """Fields of which a condition asks for a word, with the keyword that does."""
    for condition in (schema, *schema.get("dependentSchemas", {}).values()):
        for word in ("if", "then", "else"):
            rules = condition.get(word, {}).get("properties", {})
            yield from ((word, named) for named, rule in rules.items() if rule is not False)
