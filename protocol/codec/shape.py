"""What a message looks like, read out of its schema: names, CBOR keys, words, units and meanings."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache, cached_property
from typing import Any

from protocol.finding import Path
from protocol.specification import Schema, specification


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of value: `words` of an enumeration, `first` and `rest` of the entries of an array."""

    description: str = ""
    unit: str = ""
    words: tuple[str, ...] = ()
    meanings: Mapping[str, str] = field(default_factory=dict)
    first: tuple[Kind, ...] = ()
    rest: Kind | None = None
    schema: Schema = field(default_factory=dict)
    """The schema of the value with every `$ref` merged in."""

    def entry(self, position: int) -> Kind:
        """The kind of the entry at `position` of an array."""
        return self.first[position] if position < len(self.first) else self.rest or ANY


ANY = Kind()
"""The kind of what the schema does not name."""


@dataclass(frozen=True)
class Shape:
    """The fields of one message, or of a job-order with one act."""

    name: str
    fields: Mapping[str, Kind]
    keys: Mapping[str, int]
    schema: Schema

    @cached_property
    def names(self) -> dict[int, str]:
        """CBOR key to field name."""
        return {key: name for name, key in self.keys.items()}

    def kind(self, path: Path) -> Kind:
        """The kind of the value at `path`; an empty one where the schema names none."""
        if not path or not isinstance(path[0], str):
            return ANY
        kind = self.fields.get(path[0], ANY)
        for step in path[1:]:
            kind = kind.entry(step) if isinstance(step, int) else ANY
        return kind


@cache
def shape_of(message: str, act: str | None = None) -> Shape:
    """The shape of `message`; of a job-order the one of its act, or of the act alone while that is unknown.

    Raises KeyError for a message or an act that the protocol does not have.
    """
    spec = specification()
    schema = spec.acts[act] if message == "job-order" and act is not None else spec.messages[message]
    return Shape(
        name=f"{message} {act}" if act is not None else message,
        fields={name: _kind(name, part) for name, part in schema["properties"].items()},
        keys={name: int(part["cborKey"]) for name, part in schema["properties"].items()},
        schema=schema,
    )


def shape_for(message: str, act: object) -> Shape:
    """The shape of `message` when its body says `act`, whatever that is. Raises KeyError for `message`."""
    known = message == "job-order" and isinstance(act, str) and act in specification().acts
    return shape_of(message, str(act) if known else None)


def merged(schema: Schema) -> dict[str, Any]:
    """`schema` with the schema that its `$ref` names merged in; what stands beside the reference wins."""
    reference = schema.get("$ref")
    if reference is None:
        return dict(schema)
    urn, _, pointer = str(reference).partition("#/")
    target: Any = specification().by_urn[urn]
    for step in pointer.split("/") if pointer else ():
        target = target[step]
    return {**merged(target), **{name: value for name, value in schema.items() if name != "$ref"}}


def _kind(name: str, schema: Schema) -> Kind:
    whole = merged(schema)
    # The act of a fragment is one fixed word, which keeps its place among all acts.
    words = specification().words("act") if name == "act" else whole.get("enum", ())
    return Kind(
        description=str(whole.get("description", "")),
        unit=str(whole.get("unit", "")),
        words=tuple(words),
        meanings=whole.get("meanings", {}),
        first=tuple(_kind("", part) for part in whole.get("prefixItems", ())),
        rest=_kind("", whole["items"]) if "items" in whole else None,
        schema=whole,
    )
