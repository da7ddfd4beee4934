"""What no author would write, and cannot be compared, is refused in words."""

from __future__ import annotations

import copy
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from jsonschema import Draft202012Validator

from conformance.publish.artefacts.bundle import bundled
from conformance.publish.compare.change import RECEIVERS, SENDERS
from conformance.publish.model import schemas
from tests.examples import examples
from tests.publish.test_compare_random import PLACES, compared
from tests.publish.versions import Edit, pair

JUNK: list[Any] = [
    None, True, False, -1, 0, 3, 1.5, 2**70, "", "state", "[^", "[^\\x00-\\x7f]", [], ["boot"], ["nobody"], {},
    {"const": "on"}, {"const": 3}, {"$ref": "urn:yardwire:v1:common#/$defs/nothing"}, {"pattern": "(a+)+"},
    {"$ref": "urn:yardwire:v1:message:job-report"}, {"type": "integer"}, {"type": "string", "maxLength": 10**9},
    {"type": ["string", "null"]}, {"anyOf": [{"type": "boolean"}]}, {"not": {"const": "on"}},
]  # fmt: skip


KEYWORDS = [
    "$ref", "additionalProperties", "allOf", "anyOf", "const", "cborKey", "default", "dependentRequired",
    "dependentSchemas", "else", "enum", "exclusiveMaximum", "format", "if", "items", "maxItems", "maxLength", "maximum",
    "minItems", "minimum", "multipleOf", "not", "pattern", "prefixItems", "properties", "propertyNames", "required",
    "then", "type", "unevaluatedProperties", "uniqueItems",
]  # fmt: skip


@st.composite
def manglings(draw: st.DrawFn) -> tuple[str, Edit]:
    """Parts of a schema taken out, or with something else in their place, wherever they stand."""
    message = draw(st.sampled_from([*PLACES, "common"]))
    turns = draw(st.lists(st.integers(0, 60), min_size=1, max_size=7))
    junk, keyword, way = (
        draw(st.sampled_from(JUNK)),
        draw(st.sampled_from(KEYWORDS)),
        draw(st.sampled_from(["out", "put", "add"])),
    )

    def edit(schema: Any) -> None:
        part, step = schema, None
        for turn in turns:
            steps = (
                list(part) if isinstance(part, dict) else range(len(part)) if isinstance(part, list) else []
            )
            if not steps:
                break
            step, holder = steps[turn % len(steps)], part
            part = part[step]
        if way == "add" and isinstance(part, dict):
            part[keyword] = copy.deepcopy(junk)
        elif way == "out":
            del holder[step]
        else:
            holder[step] = copy.deepcopy(junk)

    return message, edit


@given(manglings())
@examples(60)
@pytest.mark.slow
def test_what_cannot_be_compared_is_refused_in_words(mangled: tuple[str, Edit]) -> None:
    """Never an internal error; what is compared has witnesses that hold, by jsonschema."""
    message, edit = mangled
    old, new = pair(message, edit)
    comparison = compared(old, new)
    if isinstance(comparison, str):
        about = next("job-order " + act if act else name for name, act, _ in schemas(old))
        assert comparison.startswith((about, "common"))
        assert "\n" not in comparison
        return
    pairs = {SENDERS: old, RECEIVERS: new}
    for change in comparison.changes:
        if change.witness is not None:
            writer = pairs[change.breaks[0]]
            _, _, theirs = next(schemas(writer))
            assert Draft202012Validator(bundled(writer, theirs)).is_valid(change.witness.body)
