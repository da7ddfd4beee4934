"""What `jsonschema` finds, in plain words: field, what was seen, what is allowed, how to fix it."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from functools import cache
from typing import Any, NoReturn

from jsonschema import Draft202012Validator, ValidationError
from referencing import Registry
from referencing.exceptions import NoSuchResource
from referencing.jsonschema import DRAFT202012

from protocol.codec.shape import Kind, Shape
from protocol.codec.value import is_integer
from protocol.codec.words import name_of
from protocol.finding import Finding, Path, spell
from protocol.schemas import schema_for, schema_set
from protocol.site import Encoding


@cache
def validator_of(message: str, closed: bool) -> Draft202012Validator:
    """The validator that explains. Raises KeyError for an unknown message."""
    registry: Registry[Any] = Registry(retrieve=_refuse)  # type: ignore[call-arg] # attrs hides the alias
    registry = registry.with_resources(
        (urn, DRAFT202012.create_resource(_spelt_out(schema)))
        for urn, schema in schema_set(closed=closed).items()
    )
    return Draft202012Validator(_spelt_out(schema_for(message, closed=closed)), registry=registry)


def _refuse(uri: str) -> NoReturn:
    raise NoSuchResource(uri)


def _spelt_out(schema: Any) -> Any:
    """`schema` with `{"not": {}}` for a property that is `false`: jsonschema loses the path of the latter."""
    if isinstance(schema, Mapping):
        whole = {name: _spelt_out(part) for name, part in schema.items()}
        if isinstance(properties := whole.get("properties"), dict):
            properties.update({name: {"not": {}} for name, part in properties.items() if part is False})
        return whole
    return [_spelt_out(part) for part in schema] if isinstance(schema, list) else schema


def schema_findings(
    message: str, shape: Shape, body: Any, encoding: Encoding | None, *, closed: bool
) -> Iterator[tuple[Path, Finding]]:
    """Every error of `body` as a finding, with the path it belongs to; none for a valid body.

    `encoding` decides how fields and words are named: in CBOR by their integers.
    """
    for error in validator_of(message, closed).iter_errors(body):
        seen = _Error.of(error, shape, encoding)
        for path, requirement, what, fix in _SAY.get(seen.keyword, _other)(seen):
            yield path, Finding(requirement, what, spell(path), None, fix)


@dataclass(frozen=True, slots=True)
class _Error:
    """One error of jsonschema: keyword and its value in the schema, the value seen, its path and its kind."""

    keyword: str
    rule: Any
    seen: Any
    schema: Mapping[str, Any]
    message: str
    path: Path
    shape: Shape
    kind: Kind
    encoding: Encoding | None

    @classmethod
    def of(cls, error: ValidationError, shape: Shape, encoding: Encoding | None) -> _Error:
        path = tuple(error.absolute_path)
        # An error inside propertyNames carries the keyword of the inner schema, and no path.
        named = "propertyNames" in error.absolute_schema_path
        return cls(
            keyword="propertyNames" if named else str(error.validator),
            rule=error.validator_value,
            seen=error.instance,
            schema=error.schema if isinstance(error.schema, Mapping) else {},
            message=error.message,
            path=path,
            shape=shape,
            kind=shape.kind(path),
            encoding=encoding,
        )

    @property
    def unit(self) -> str:
        """The unit, with a blank before it; a unit of several words in brackets."""
        unit = self.kind.unit
        return f" (unit: {unit})" if " " in unit else f" {unit}" if unit else ""

    @property
    def meaning(self) -> str:
        """What the field means, in brackets."""
        return f" ({self.kind.description})" if self.kind.description else ""

    def word(self, word: str) -> str:
        """A word as the encoding carries it."""
        if self.encoding is Encoding.CBOR and word in self.kind.words:
            return f"{self.kind.words.index(word)} ({word})"
        return repr(word)

    def name(self, name: str) -> str:
        """A field's name as the encoding carries it."""
        if self.encoding is Encoding.CBOR and name in self.shape.keys:
            return f"key {self.shape.keys[name]} ({name})"
        return repr(name)


Said = Iterator[tuple[Path, str, str, str]]
"""Path, requirement, what is wrong, how to fix it."""

_TYPES = {
    "integer": "an integer",
    "boolean": "true or false",
    "string": "text",
    "array": "an array",
    "object": "a map",
}
_CHARACTERS = {
    "[^A-Za-z0-9-]": "A-Z a-z 0-9 and '-'",
    "[^A-Za-z0-9.+-]": "A-Z a-z 0-9 '.' '+' and '-'",
    "[^A-Za-z0-9?-]": "A-Z a-z 0-9 and '-', or '?' alone",
    "[^ -~]": "printable ASCII",
}


def _type(error: _Error) -> Said:
    wanted = _TYPES[str(error.rule)]
    requirement = "ENC-04" if error.rule == "integer" else "ENC-05"
    what = f"expected {wanted}, got {name_of(error.seen)}{error.meaning}"
    yield error.path, requirement, what, f"Send {wanted}{_range(error)}"


def _range(error: _Error) -> str:
    schema = error.kind.schema
    if "minimum" not in schema or "maximum" not in schema:
        return ""
    return f" from {schema['minimum']} to {schema['maximum']}{error.unit}"


def _number(error: _Error) -> Said:
    side = "below" if error.keyword == "minimum" else "above"
    what = f"is {name_of(error.seen)}, {side} {error.rule}{error.meaning}"
    yield error.path, "ENC-05", what, f"Send an integer{_range(error)}"


def _length(error: _Error) -> Said:
    parts, ending = ("characters", "Length") if isinstance(error.seen, str) else ("entries", "Items")
    least, most = error.schema.get(f"min{ending}", 0), error.schema.get(f"max{ending}")
    bounds = f"{least}" if least == most else f"{least} to {most}"
    what = f"has {len(error.seen)} {parts}, where {bounds} are allowed{error.meaning}"
    yield error.path, "ENC-05", what, f"Send {bounds} {parts}"


def _not(error: _Error) -> Said:
    pattern = error.rule.get("pattern")
    if error.rule == {}:
        yield error.path, "ENC-06", f"is not allowed in this {error.shape.name}", "Leave it out here"
    elif pattern is None:
        what = f"is {name_of(error.seen)}, which is not allowed here{error.meaning}"
        yield error.path, "ENC-05", what, "Send another word"
    elif isinstance(error.seen, str):
        wrong = ", ".join(ascii(character) for character in dict.fromkeys(re.findall(pattern, error.seen)))
        what = f"is {name_of(error.seen)}, in which {wrong} is not allowed{error.meaning}"
        yield error.path, "ENC-05", what, f"Use only {_CHARACTERS.get(pattern, f'what is not {pattern}')}"


def _words(error: _Error) -> Said:
    allowed = tuple(error.rule) if error.keyword == "enum" else (error.rule,)
    near = get_close_matches(error.seen, allowed) if isinstance(error.seen, str) else []
    fix = f"Did you mean {error.word(near[0])}?" if near else "Send one of these"
    if is_integer(error.seen) and error.encoding is Encoding.JSON:
        fix = "JSON carries the word itself; its integer is for CBOR"
    listed = ", ".join(error.word(word) for word in allowed)
    yield error.path, "ENC-05", f"is {name_of(error.seen)}; allowed: {listed}{error.meaning}", fix


def _required(error: _Error) -> Said:
    for name in error.rule:
        if name not in error.seen:
            yield (*error.path, name), "ENC-06", *_missing(name, error, "")


def _dependent(error: _Error) -> Said:
    for present, needed in error.rule.items():
        for name in needed if present in error.seen else ():
            if name not in error.seen:
                yield (*error.path, name), "ENC-06", *_missing(name, error, f" beside {present!r}")


def _missing(name: str, error: _Error, why: str) -> tuple[str, str]:
    description = error.shape.fields.get(name, Kind()).description
    meaning = f" ({description})" if description else ""
    return f"is missing{why}{meaning}", f"Add {error.name(name)}"


def _unknown(error: _Error) -> Said:
    for name in error.seen:
        if name not in error.shape.fields:
            what = f"is not a field of {error.shape.name}"
            yield (*error.path, name), "ENC-06", what, _spelling(name, error)


def _spelling(name: str | int, error: _Error) -> str:
    if isinstance(name, int):
        return "Leave it out; keys of one's own are not allowed"
    bare = name.strip('"')
    if bare in error.shape.fields:
        return f"CBOR carries names as integers: send {error.name(bare)}"
    missing = [field for field in error.schema.get("required", ()) if field not in error.seen]
    near = get_close_matches(bare.lower(), missing, cutoff=0.5)
    near = near or get_close_matches(bare.lower(), error.shape.fields)
    return f"Did you mean {error.name(near[0])}?" if near else "Leave it out; own fields are not allowed"


def _forbidden_name(error: _Error) -> Said:
    yield (error.seen,), "ENC-06", f"is not allowed in this {error.shape.name}", "Leave it out here"


def _twice(error: _Error) -> Said:
    yield error.path, "ENC-05", f"has an entry twice{error.meaning}", "Send every entry once"


def _other(error: _Error) -> Said:
    yield error.path, "ENC-05", error.message, "See the schema of the message"


_SAY: dict[str, Callable[[_Error], Said]] = {
    "type": _type,
    "minimum": _number,
    "maximum": _number,
    "minLength": _length,
    "maxLength": _length,
    "minItems": _length,
    "maxItems": _length,
    "uniqueItems": _twice,
    "not": _not,
    "enum": _words,
    "const": _words,
    "required": _required,
    "dependentRequired": _dependent,
    "additionalProperties": _unknown,
    "propertyNames": _forbidden_name,
}
