"""Schemas as plain alternatives: every condition of a message spelt out, every reference followed.

A closed map with optional fields is what CDDL knows and what two versions can be compared by, so the
conditions that JSON Schema allows are unfolded here. A keyword that this file does not know is an error: what is
made from the schemas must never be less strict than they are without saying so.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any

from protocol.specification import Schema, Specification
from protocol.trouble import Trouble

_KNOWN = frozenset(
    [
        "$schema",
        "$id",
        "$comment",
        "title",
        "description",
        "examples",
        "roles",
        "job",
        "type",
        "additionalProperties",
        "properties",
        "required",
        "dependentRequired",
        "dependentSchemas",
        "if",
        "then",
        "else",
    ]
)


MOST_ALTERNATIVES = 256
"""The specification's messages have eight at most; every condition may double them."""


class NotExpressible(Trouble):
    """A schema that says something in a way which cannot be unfolded: what it is, and of which message and field."""


@dataclass(frozen=True, slots=True)
class Field:
    """One field of one alternative: its CBOR key, its schema with references merged, its words."""

    name: str
    key: int
    schema: Schema
    kind: str = ""
    """Name of the shared kind of value, '' for one of its own."""
    words: tuple[str, ...] = ()
    """All words of the field, in the order of their integers in CBOR."""
    allowed: tuple[str, ...] = ()
    """The words of this alternative."""


@dataclass(frozen=True, slots=True)
class Variant:
    """One alternative of a message: a closed map. `needs` names the fields that go with a field."""

    fields: Mapping[str, Field]
    required: frozenset[str]
    needs: Mapping[str, frozenset[str]]

    @property
    def optional(self) -> tuple[str, ...]:
        """The fields that may be left out."""
        return tuple(name for name in self.fields if name not in self.required)


def merged(spec: Specification, schema: Schema) -> dict[str, Any]:
    """`schema` with what its `$ref` names merged in; what stands beside the reference wins."""
    if "$ref" not in schema:
        return dict(schema)
    urn, _, pointer = str(schema["$ref"]).partition("#/")
    target: Any = spec.by_urn[urn]
    for step in pointer.split("/") if pointer else ():
        target = target[step]
    return {**merged(spec, target), **{name: part for name, part in schema.items() if name != "$ref"}}


def schemas(spec: Specification) -> Iterator[tuple[str, str | None, Schema]]:
    """Message, act and schema of every message; of a job-order once an act."""
    for message, schema in spec.messages.items():
        if message != "job-order":
            yield message, None, schema
    for act, schema in spec.acts.items():
        yield "job-order", act, schema


def variants(spec: Specification, schema: Schema) -> tuple[Variant, ...]:
    """The alternatives of a message or an act. Raises NotExpressible."""
    if unknown := set(schema) - _KNOWN:
        raise NotExpressible(f"{schema['title']} uses {', '.join(sorted(unknown))}")
    fields = {name: field_of(spec, name, part) for name, part in schema["properties"].items()}
    needs = _closure(schema.get("dependentRequired", {}))
    drafts = [_Draft(fields, frozenset(schema.get("required", ())), frozenset())]
    for trigger, condition in _conditions(schema):
        drafts = [split for draft in drafts for split in _unfolded(draft, trigger, condition)]
        if len(drafts) > MOST_ALTERNATIVES:
            raise NotExpressible(
                f"{schema['title']}: its conditions make more than {MOST_ALTERNATIVES} alternatives"
            )
    return tuple(finished for draft in drafts if (finished := _finished(draft, needs)) is not None)


def field_of(spec: Specification, name: str, part: Schema) -> Field:
    """One field. The act of a fragment keeps the place of its word among all acts."""
    whole = merged(spec, part)
    words = tuple(spec.words("act")) if name == "act" else tuple(whole.get("enum", ()))
    allowed = (str(whole["const"]),) if "const" in whole else words
    kind = str(part.get("$ref", "")).rpartition("/$defs/")[2]
    return Field(name, int(part["cborKey"]), whole, kind, words, allowed)


@dataclass(frozen=True, slots=True)
class _Draft:
    fields: Mapping[str, Field]
    required: frozenset[str]
    forbidden: frozenset[str]

    def narrowed(self, name: str, allowed: tuple[str, ...]) -> _Draft:
        return replace(self, fields={**self.fields, name: replace(self.fields[name], allowed=allowed)})

    def requiring(self, *names: str) -> _Draft:
        return replace(self, required=self.required | set(names))

    def forbidding(self, *names: str) -> _Draft:
        return replace(self, forbidden=self.forbidden | set(names))


def _conditions(schema: Schema) -> Iterator[tuple[str | None, Schema]]:
    """Each condition, with the field that has to be there for it to be asked at all."""
    if "if" in schema:
        yield None, schema
    for trigger, part in schema.get("dependentSchemas", {}).items():
        if not set(part) <= {"if", "then", "else"}:
            raise NotExpressible(f"{schema['title']}: dependentSchemas of {trigger}")
        yield trigger, part


def _unfolded(draft: _Draft, trigger: str | None, condition: Schema) -> Iterator[_Draft]:
    """The alternatives of one condition: without its trigger, where that may be left out, and with it."""
    if trigger is not None and trigger not in draft.required:
        yield draft.forbidding(trigger)
        draft = draft.requiring(trigger)
    yield from _split(draft, condition)


def _split(draft: _Draft, condition: Schema) -> Iterator[_Draft]:
    """The alternatives in which the condition holds, and those in which it does not."""
    asked = condition["if"]
    if not set(asked) <= {"properties", "required"} or len(asked["properties"]) != 1:
        raise NotExpressible(f"if {asked}")
    ((name, rule),) = asked["properties"].items()
    if set(rule) != {"const"}:
        raise NotExpressible(f"if {asked}")
    then, otherwise = condition.get("then", {}), condition.get("else", {})
    allowed = draft.fields[name].allowed
    if rule["const"] in allowed:
        yield _applied(draft.narrowed(name, (rule["const"],)).requiring(name), then)
    if rest := tuple(word for word in allowed if word != rule["const"]):
        yield _applied(draft.narrowed(name, rest).requiring(name), otherwise)
    if name not in draft.required:
        yield _applied(draft.forbidding(name), otherwise if name in asked.get("required", ()) else then)


def _applied(draft: _Draft, part: Schema) -> _Draft:
    if not set(part) <= {"required", "properties", "propertyNames"}:
        raise NotExpressible(f"then {part}")
    draft = draft.requiring(*part.get("required", ()))
    if "propertyNames" in part:
        draft = draft.forbidding(*(set(draft.fields) - set(part["propertyNames"]["enum"])))
    for name, rule in part.get("properties", {}).items():
        if rule is False:
            draft = draft.forbidding(name)
            continue
        allowed = draft.fields[name].allowed
        if "const" in rule:
            draft = draft.narrowed(name, tuple(word for word in allowed if word == rule["const"]))
        elif set(rule) == {"not"} and set(rule["not"]) == {"const"}:
            draft = draft.narrowed(name, tuple(word for word in allowed if word != rule["not"]["const"]))
        else:
            raise NotExpressible(f"{name}: {rule}")
    return draft


def _finished(draft: _Draft, needs: Mapping[str, frozenset[str]]) -> Variant | None:
    """The alternative, or None where nothing can be one."""
    wordless = {name for name, field in draft.fields.items() if field.words and not field.allowed}
    forbidden = set(draft.forbidden) | wordless
    forbidden |= {name for name, others in needs.items() if others & forbidden}
    required = set(draft.required)
    required |= {other for name in draft.required for other in needs.get(name, ())}
    if required & forbidden:
        return None
    fields = {name: field for name, field in draft.fields.items() if name not in forbidden}
    return Variant(fields, frozenset(required), {n: o for n, o in needs.items() if n in fields})


def _closure(needs: Mapping[str, list[str]]) -> dict[str, frozenset[str]]:
    """Each field with all fields that it needs, itself left out, those that these need included."""
    closed: dict[str, frozenset[str]] = {}
    for name in needs:
        seen, open_ = {name}, [name]
        while open_:
            for other in needs.get(open_.pop(), ()):
                if other not in seen:
                    seen.add(other)
                    open_.append(other)
        closed[name] = frozenset(seen - {name})
    return closed
