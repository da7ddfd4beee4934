"""What `jsonschema` finds, said in the words of the protocol: field, what was seen, what is allowed, how to mend it."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from difflib import get_close_matches
from functools import cache
from typing import Any, NoReturn

from jsonschema import Draft202012Validator, ValidationError
from referencing import Registry, Resource
from referencing.exceptions import NoSuchResource
from referencing.jsonschema import DRAFT202012

from protocol.codec.shape import Kind, Shape
from protocol.codec.words import name_of
from protocol.finding import Finding, Path, spell
from protocol.schemas import schema_for, schema_set
from protocol.site import Encoding

Found = tuple[Path, Finding]


@cache
def validator_of(message: str, closed: bool) -> Draft202012Validator:
    """The validator that explains. Raises KeyError for an unknown message."""
    resources = [
        (urn, Resource(contents=schema, specification=DRAFT202012))
        for urn, schema in schema_set(closed=closed).items()
    ]
    registry: Registry[Any] = Registry(retrieve=_refuse).with_resources(resources)
    return Draft202012Validator(schema_for(message, closed=closed), registry=registry)


def _refuse(uri: str) -> NoReturn:
    raise NoSuchResource(uri)


def schema_findings(
    message: str, shape: Shape, body: Any, encoding: Encoding | None, *, closed: bool
) -> Iterator[Found]:
    """Every error of `body` as a finding, with the path it belongs to. Empty for a valid body."""
    errors = list(validator_of(message, closed).iter_errors(body))
    for error in errors:
        path = tuple(error.absolute_path)
        say = _SAY.get(str(error.validator), _false)
        for where, requirement, what, mend in say(error, path, _Field(shape, path, encoding)):
            yield where, Finding(requirement, what, _spelt(where), None, mend)


def _spelt(path: Path) -> str:
    if path and isinstance(path[0], int):
        return f"key {spell(path[:1])[1:-1]}{spell(path[1:])}"
    return spell(path)


class _Field:
    """The field that an error is about, in words."""

    def __init__(self, shape: Shape, path: Path, encoding: Encoding | None) -> None:
        self.shape, self.encoding = shape, encoding
        self.kind: Kind = shape.kind(path)

    @property
    def unit(self) -> str:
        """The unit behind a number, with a blank before it."""
        return f" {self.kind.unit}" if self.kind.unit and "own" not in self.kind.unit else ""

    @property
    def meaning(self) -> str:
        return f" ({self.kind.description})" if self.kind.description else ""

    def word(self, word: str, words: tuple[str, ...]) -> str:
        """A word as the encoding carries it."""
        if self.encoding is Encoding.CBOR and word in words:
            return f"{words.index(word)} ({word})"
        return repr(word)

    def name(self, name: str) -> str:
        """A field's name as the encoding carries it."""
        if self.encoding is Encoding.CBOR and name in self.shape.keys:
            return f"{self.shape.keys[name]} ({name})"
        return repr(name)


Said = Iterator[tuple[Path, str, str, str]]
"""Path, requirement, what is wrong, how to mend it."""


def _type(error: ValidationError, path: Path, field: _Field) -> Said:
    wanted = str(error.validator_value)
    names = {"integer": "an integer", "boolean": "true or false", "string": "text", "array": "an array", "object": "a map"}
    requirement = "ENC-04" if wanted == "integer" else "ENC-05"
    what = f"is {name_of(error.instance)}, where {names[wanted]} has to be{field.meaning}"
    yield path, requirement, what, f"Send {names[wanted]}{_range(field)}"


def _range(field: _Field) -> str:
    schema = field.kind.schema
    if "minimum" not in schema or "maximum" not in schema:
        return ""
    return f" from {schema['minimum']} to {schema['maximum']}{field.unit}"


def _number(error: ValidationError, path: Path, field: _Field) -> Said:
    side = "below" if error.validator == "minimum" else "above"
    what = f"is {name_of(error.instance)}, {side} {error.validator_value}{field.unit}{field.meaning}"
    yield path, "ENC-05", what, f"Send an integer{_range(field)}"


def _length(error: ValidationError, path: Path, field: _Field) -> Said:
    count = len(error.instance)
    schema = error.schema if isinstance(error.schema, Mapping) else {}
    unit = "characters" if isinstance(error.instance, str) else "entries"
    least, most = schema.get(f"min{_LENGTHS[unit]}", 0), schema.get(f"max{_LENGTHS[unit]}")
    bounds = f"{least}" if least == most else f"{least} to {most}"
    what = f"has {count} {unit}, where {bounds} are allowed{field.meaning}"
    yield path, "ENC-05", what, f"Send {bounds} {unit}"


_LENGTHS = {"characters": "Length", "entries": "Items"}
_CHARACTERS = {
    "[^A-Za-z0-9-]": "A-Z a-z 0-9 and '-'",
    "[^A-Za-z0-9.+-]": "A-Z a-z 0-9 '.' '+' and '-'",
    "[^A-Za-z0-9?-]": "A-Z a-z 0-9 '-', or '?' alone",
    "[^ -~]": "printable ASCII",
}


def _not(error: ValidationError, path: Path, field: _Field) -> Said:
    refused = error.validator_value
    if "pattern" in refused:
        import re

        allowed = _CHARACTERS.get(refused["pattern"], f"what does not match {refused['pattern']}")
        wrong = next(iter(re.findall(refused["pattern"], str(error.instance))), "")
        what = f"is {name_of(error.instance)}, in which {ascii(wrong)} is not allowed{field.meaning}"
        yield path, "ENC-05", what, f"Use only {allowed}"
    else:
        what = f"is {name_of(error.instance)}, which is not allowed here"
        yield path, "ENC-05", what, "Send another word"


def _words(error: ValidationError, path: Path, field: _Field) -> Said:
    allowed = tuple(error.validator_value) if error.validator == "enum" else (error.validator_value,)
    words = field.kind.words
    listed = ", ".join(field.word(word, words) for word in allowed)
    near = get_close_matches(error.instance, allowed, n=1) if isinstance(error.instance, str) else []
    mend = f"Did you mean {field.word(near[0], words)}?" if near else "Send one of these"
    if isinstance(error.instance, int) and not isinstance(error.instance, bool) and field.encoding is Encoding.JSON:
        mend = "JSON carries the word itself; its integer is for CBOR"
    yield path, "ENC-05", f"is {name_of(error.instance)}; allowed: {listed}{field.meaning}", mend


def _required(error: ValidationError, path: Path, field: _Field) -> Said:
    for name in error.validator_value:
        if name not in error.instance:
            yield (*path, name), "ENC-06", *_missing(name, field, "")


def _dependent(error: ValidationError, path: Path, field: _Field) -> Said:
    for present, needed in error.validator_value.items():
        for name in needed if present in error.instance else ():
            if name not in error.instance:
                yield (*path, name), "ENC-06", *_missing(name, field, f" beside {present!r}")


def _missing(name: str, field: _Field, why: str) -> tuple[str, str]:
    description = field.shape.fields.get(name, Kind()).description
    meaning = f" ({description})" if description else ""
    return f"is missing{why}{meaning}", f"Add {field.name(name)}"


def _unknown(error: ValidationError, path: Path, field: _Field) -> Said:
    if not isinstance(error.schema, Mapping) or not isinstance(error.instance, Mapping):
        return
    known = tuple(error.schema["properties"])
    missing = [name for name in error.schema.get("required", ()) if name not in error.instance]
    for name in error.instance:
        if name in known:
            continue
        what = f"is no field of {field.shape.name}"
        yield (*path, name), "ENC-06", what, _spelling(str(name), known, missing, field)


def _spelling(name: str, known: tuple[str, ...], missing: list[str], field: _Field) -> str:
    bare = name.strip('"')
    if name != bare:
        return f"CBOR carries names as integers: send {field.name(bare)}"
    near = get_close_matches(bare.lower(), missing, n=1, cutoff=0.5) or get_close_matches(bare.lower(), known, n=1)
    if near:
        return f"Did you mean {field.name(near[0])}?"
    return "Leave it out; fields of one's own are not allowed"


def _forbidden_name(error: ValidationError, path: Path, field: _Field) -> Said:
    name = str(error.instance)
    yield (*path, name), "ENC-06", f"is not allowed in this {field.shape.name}", "Leave it out here"


def _twice(error: ValidationError, path: Path, field: _Field) -> Said:
    yield path, "ENC-05", f"has an entry twice{field.meaning}", "Send every entry once"


def _false(error: ValidationError, path: Path, field: _Field) -> Said:
    yield path, "ENC-06", f"is not allowed in this {field.shape.name}", "Leave it out here"


_SAY: dict[str, Callable[[ValidationError, Path, _Field], Said]] = {
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
