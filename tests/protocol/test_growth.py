"""How the protocol grows within a major version: what came later is marked, and binds nobody who says an older one."""

from __future__ import annotations

from collections.abc import Iterator
from importlib import resources
from typing import Any

import pytest

from protocol.specification import Requirement, Specification, specification
from protocol.transition_table import Check, Transition

SPEC = specification()


def grown() -> Specification:
    """Version 1.5 with one thing of each kind that came with 1.5."""
    spec = Specification(resources.files("protocol").joinpath("v1"))
    table = spec.tables["shuttle"]
    spec.__dict__.update(
        minor=5,
        requirements=spec.requirements
        | {"SHT-99": Requirement("SHT-99", "MUST", "shuttle", "tap", "A.", "B.", "", since=5)},
        tables=spec.tables
        | {
            "shuttle": type(table)(
                table.name, table.title, table.states, table.initial, table.final,
                (*table.transitions, Transition("at-place", "push", "", "lost", (), since=5)),
            )
        },
        order_checks=(*spec.order_checks[:-1], Check("new", "refuse", "busy", since=5), spec.order_checks[-1]),
    )  # fmt: skip
    status = {**spec.messages["fault"]}
    status["properties"] = status["properties"] | {"hue": {"type": "boolean", "cborKey": 90, "since": 5}}
    spec.__dict__["messages"] = {**spec.messages, "fault": status}
    common = {**spec.common, "$defs": dict(spec.common["$defs"])}
    common["$defs"]["load"] = {"enum": ["none", "box", "unsure", "two"], "since": {"two": 5}}
    spec.__dict__["common"] = common
    return spec


@pytest.mark.parametrize("minor", [0, 4])
def test_an_older_minor_version_has_nothing_of_what_came_later(minor: int) -> None:
    spec, old = grown(), grown().at(minor)
    assert old.minor == minor
    assert spec.requirements.keys() - old.requirements.keys() >= {"SHT-99"}
    assert not list(old.tables["shuttle"].rows("at-place", "push"))
    assert "new" not in [check.name for check in old.order_checks]
    assert "hue" not in old.messages["fault"]["properties"]
    assert old.words("load") == ("none", "box", "unsure")


def test_its_own_and_any_newer_minor_version_is_the_whole() -> None:
    spec = grown()
    assert spec.at(5) is spec
    assert spec.at(200) is spec
    assert spec.words("load")[-1] == "two"


def _sinces(spec: Specification) -> Iterator[int]:
    yield from (rule.since for rule in spec.requirements.values())
    yield from (row.since for table in spec.tables.values() for row in table.transitions)
    yield from (check.since for check in spec.order_checks)
    yield from (figure.since for figure in (spec.timing | spec.limits).values())
    yield from _in_schemas([spec.common, *spec.messages.values(), *spec.acts.values()])


def _in_schemas(part: Any) -> Iterator[int]:
    if isinstance(part, dict):
        since = part.get("since")
        if isinstance(since, int):
            yield since
        elif isinstance(since, dict) and "enum" in part:
            assert set(since) <= set(part["enum"])
            yield from since.values()
        part = list(part.values())
    if isinstance(part, list):
        for inner in part:
            yield from _in_schemas(inner)


def test_nothing_is_of_a_version_that_does_not_exist_yet() -> None:
    assert set(_sinces(SPEC)) <= set(range(SPEC.minor + 1))


def test_no_older_version_needs_what_is_newer() -> None:
    """A field of a later minor version is never required, and every state of an older one is reached."""
    for schema in [*SPEC.messages.values(), *SPEC.acts.values()]:
        for name, part in schema["properties"].items():
            assert not part.get("since") or name not in schema.get("required", ())
    for minor in range(SPEC.minor):
        for table in SPEC.at(minor).tables.values():
            reached = {table.initial} | {row.next for row in table.transitions}
            assert reached == set(table.states), (minor, table.name)
