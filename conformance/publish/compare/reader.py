"""A tolerant receiver of any version of the specification: what does it make of a message of another version?"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from functools import cached_property
from typing import Any, NoReturn

import jsonschema_rs

from conformance.publish.model import field_of, merged
from protocol.schemas import opened
from protocol.specification import Schema, Specification


class Reader:
    """Reads messages as a node or a supervisor written for `spec` does [ENC-09, ENC-10]."""

    def __init__(self, spec: Specification) -> None:
        self.spec = spec

    def schema(self, message: str, act: str | None) -> Schema | None:
        """The schema of a message (of an act), or None where this version has none."""
        if message != "job-order":
            return self.spec.messages.get(message)
        return self.spec.acts.get(act or "") if message in self.spec.messages else None

    def require_readable(self, message: str, act: str | None) -> None:
        """Raise what the library raises for a schema that is none: ValueError, TypeError, ReferencingError."""
        self._validator(message, act)

    def troubles(
        self, writer: Specification, message: str, act: str | None, body: Mapping[str, Any]
    ) -> Iterator[tuple[str, str]]:
        """Each field at which a message of `writer` fails here, and why; nothing if it is read and means the same.

        In JSON names and words are compared as they are, in CBOR by the keys and integers that they travel as. The
        field is '' where no field can be named.
        """
        schema = self.schema(message, act)
        if schema is None:
            yield "", f"has no {message}{' ' + act if act else ''}"
            return
        known = {name: value for name, value in body.items() if name in schema["properties"]}
        for error in self._validator(message, act).iter_errors(known):
            yield _field(error), error.message
        yield from self._cbor(writer, message, act, schema, body)

    def _cbor(
        self, writer: Specification, message: str, act: str | None, schema: Schema, body: Mapping[str, Any]
    ) -> Iterator[tuple[str, str]]:
        """Fields that do not arrive under their own name, or not with the same words."""
        theirs = writer.messages[message] if act is None else writer.acts[act]
        names = {int(part["cborKey"]): name for name, part in schema["properties"].items()}
        for name, value in body.items():
            part = theirs["properties"][name]
            here = names.get(int(part["cborKey"]))
            if here == name:
                sent = _numbers(writer, name, part, value)
                read = _numbers(self.spec, name, schema["properties"][name], value)
                if sent != read:
                    yield name, f"{value!r} travels as {sent} and is {read} here"
            elif here is not None or name in schema["properties"]:
                yield name, f"key {part['cborKey']} is {here or 'unknown'} here"

    @cached_property
    def _compiled(self) -> dict[tuple[str, str | None], jsonschema_rs.Draft202012Validator]:
        return {}

    def _validator(self, message: str, act: str | None) -> jsonschema_rs.Draft202012Validator:
        if (message, act) not in self._compiled:
            # A job-order is read by the schema of its act, so its own, which names all acts, is not needed.
            schemas = {
                urn: opened(dict(schema))
                for urn, schema in self.spec.by_urn.items()
                if schema.get("title") != "job-order"
            }
            registry = jsonschema_rs.Registry(list(schemas.items()), retriever=_refuse)
            schema = self.schema(message, act)
            assert schema is not None
            self._compiled[message, act] = jsonschema_rs.Draft202012Validator(
                schemas[schema["$id"]], registry=registry, retriever=_refuse
            )
        return self._compiled[message, act]


def _refuse(uri: str) -> NoReturn:
    raise ValueError(f"{uri} is not part of the specification, and nothing is fetched")


def _field(error: jsonschema_rs.ValidationError) -> str:
    path = list(error.instance_path)
    missing = re.match('"(.+)" is a required property', error.message)
    return str(path[0]) if path else missing[1] if missing else ""


def _numbers(spec: Specification, name: str, part: Schema, value: Any) -> Any:
    """A value with its words as the integers that they travel as; a word that is unknown stays."""
    if isinstance(value, list):
        whole = merged(spec, part)
        if "prefixItems" in whole:
            kinds = whole["prefixItems"]
            return [_numbers(spec, "", kind, entry) for kind, entry in zip(kinds, value, strict=False)]
        return [_numbers(spec, "", whole["items"], entry) for entry in value]
    if not isinstance(value, str):
        return value
    words = field_of(spec, name, {"cborKey": 0, **part}).words
    return words.index(value) if value in words else value
