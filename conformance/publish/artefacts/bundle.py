"""JSON Schemas that stand alone: one file a message and an act, references inlined as `$defs`."""

from __future__ import annotations

from typing import Any

from conformance.publish.model import merged
from protocol.specification import Schema, Specification


def bundled(spec: Specification, schema: Schema) -> dict[str, Any]:
    """`schema` (JSON Schema 2020-12) with every other schema that it refers to under `$defs`."""
    defs: dict[str, Any] = {}
    body: dict[str, Any] = _inlined(
        spec, {name: part for name, part in schema.items() if name != "$id"}, defs
    )
    head = {"$schema": body.pop("$schema"), "$id": f"{schema['$id']}:bundled"}
    return head | body | ({"$defs": {name: defs[name] for name in sorted(defs)}} if defs else {})


def flattened(spec: Specification, part: Any) -> Any:
    """A schema, or a part of one, without any reference: each stands where it was referred to."""
    if isinstance(part, list):
        return [flattened(spec, entry) for entry in part]
    if not isinstance(part, dict):
        return part
    return {name: flattened(spec, inner) for name, inner in merged(spec, part).items() if name[0] != "$"}


def _inlined(spec: Specification, part: Any, defs: dict[str, Any]) -> Any:
    if isinstance(part, list):
        return [_inlined(spec, entry, defs) for entry in part]
    if not isinstance(part, dict):
        return part
    whole = {name: _inlined(spec, inner, defs) for name, inner in part.items() if name != "$ref"}
    return whole if "$ref" not in part else {"$ref": _defined(spec, str(part["$ref"]), defs)} | whole


def _defined(spec: Specification, reference: str, defs: dict[str, Any]) -> str:
    """Put what `reference` names under `defs` once, and return where it stands."""
    urn, _, pointer = reference.partition("#/")
    target: Any = spec.by_urn[urn]
    for step in pointer.split("/") if pointer else ():
        target = target[step]
    name = pointer.rpartition("/")[2] or urn.rpartition(":")[2]
    if name not in defs:
        defs[name] = None  # Holds the place: a schema may refer to itself.
        bare = {word: inner for word, inner in target.items() if word not in ("$id", "$schema")}
        defs[name] = _inlined(spec, bare, defs)
    return f"#/$defs/{name}"
