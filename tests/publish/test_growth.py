"""What a minor version may add: the comparison, the version that was released, and the pages."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from conformance.commands import main
from conformance.publish.compare.compare import VersionComparison, compare
from conformance.publish.compare.versions import specification_in
from protocol.specification import Figure, Requirement, Specification, specification
from protocol.transition_table import Check, Transition
from tests.publish.versions import version

RELEASED = Path(__file__).parent / "released" / "1.0"
"""The specification as it was published first. It is never changed."""
MUST = Requirement("ORD-99", "MUST", "node", "tap", "A node waits.", "It is better.", "")
ROW = Transition("at-place", "push", "", "lost", ("state",))
CHECK = Check("too_heavy", "refuse", "load")
TIME = Figure("rest", "ms", "how long it rests", least=10)


def _with(addition: Any) -> Specification:
    """The next minor version, with one thing more."""
    ours = specification()
    facts: Mapping[type, tuple[str, Any]] = {
        Requirement: ("requirements", ours.requirements | {"ORD-99": addition}),
        Check: ("order_checks", (*ours.order_checks[:-1], addition, ours.order_checks[-1])),
        Figure: ("timing", ours.timing | {"rest": addition}),
        Transition: (
            "tables",
            ours.tables
            | {
                "shuttle": replace(
                    ours.tables["shuttle"], transitions=(*ours.tables["shuttle"].transitions, addition)
                )
            },
        ),
    }
    name, value = facts[type(addition)]
    return version(minor=ours.minor + 1, **{name: value})


def _next(addition: Any) -> VersionComparison:
    return compare(version(), _with(addition))


@pytest.mark.parametrize("addition", [MUST, ROW, CHECK, TIME], ids=lambda one: type(one).__name__)
def test_what_is_marked_with_its_version_breaks_nobody(addition: Any) -> None:
    marked = _next(replace(addition, since=specification().minor + 1))
    assert marked.wrong_number == ""
    assert [change.breaks for change in marked.changes] == [()]
    assert "new since 1." in str(marked.changes[0])


@pytest.mark.parametrize("addition", [MUST, ROW, CHECK, TIME], ids=lambda one: type(one).__name__)
@pytest.mark.parametrize("since", [0, specification().minor], ids=["unmarked", "of an older version"])
def test_what_binds_those_who_are_older_demands_a_major_version(addition: Any, since: int) -> None:
    assert "major version has to rise" in _next(replace(addition, since=since)).wrong_number


def test_a_version_that_does_not_exist_yet_binds_nobody_and_so_is_no_mark() -> None:
    assert _next(replace(MUST, since=specification().minor + 2)).breaking


def test_what_was_marked_once_keeps_its_mark() -> None:
    marked = _with(replace(MUST, since=specification().minor + 1))
    for since in (0, specification().minor + 2):
        later = _with(replace(MUST, since=since))
        later.__dict__["minor"] = specification().minor + 2
        assert compare(marked, later).breaking, since


def binding(spec: Specification) -> dict[str, Requirement]:
    """The requirements without why they are there: that is explained better with time, and binds nobody."""
    return {id_: replace(one, why="") for id_, one in spec.requirements.items()}


def test_the_first_minor_version_is_as_it_was_released() -> None:
    """Who says 1.0 is judged by exactly the sentences, rows and checks of 1.0."""
    released, kept = specification_in(RELEASED), specification().at(0)
    assert (released.major, released.minor) == (kept.major, kept.minor) == (1, 0)
    assert binding(kept) == binding(released)
    assert {name: replace(table, no_ways=()) for name, table in kept.tables.items()} == released.tables
    assert kept.order_checks == released.order_checks
    assert (kept.timing, kept.limits, kept.topics) == (released.timing, released.limits, released.topics)


def test_what_came_since_it_was_released_breaks_nobody(capsys: pytest.CaptureFixture[str]) -> None:
    assert main.run(["publish", "--against", str(RELEASED)]) == 0
    said = capsys.readouterr().out
    assert f"From protocol 1.0 to {specification().dotted()}" in said
    assert "breaks" not in said
