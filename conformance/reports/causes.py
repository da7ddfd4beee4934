"""First causes: what the node is said to be, and the cases that came to nothing because of another one."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from conformance.reports.counted import counted
from conformance.tester.identity import NOT_CONNECTED, RULES
from conformance.tester.result import IDENTITY

FOLLOWS = dict(
    zip(
        RULES,
        (
            "stops: no case says anything of the one that was asked for",
            "goes on, and nothing that moves is run",
            "goes on",
        ),
        strict=True,
    )
)
"""What follows for the run from a difference, by its rule."""
NAMED = 3
"""How many of the cases behind one cause are named on one line."""


def follows(difference: Mapping[str, Any]) -> str:
    """What follows for the run from a difference; '' where nothing connected, and so nothing differs."""
    return "" if difference["subject"] == NOT_CONNECTED else FOLLOWS[difference["rule"]]


def folded(report: Mapping[str, Any]) -> dict[str, list[str]]:
    """The cases behind each cause that stands in the report itself, by the cause."""
    known = {case["id"] for case in report["cases"]} | {IDENTITY}
    found: dict[str, list[str]] = {}
    for case in report["cases"]:
        if case["cause"] in known:
            found.setdefault(case["cause"], []).append(case["id"])
    return found


def line(cases: Sequence[str]) -> str:
    """What came to nothing because of one cause, in one line; '' for none."""
    if not cases:
        return ""
    named = ", ".join(cases[:NAMED])
    more = f" and {len(cases) - NAMED} more" if len(cases) > NAMED else ""
    return f"{counted(len(cases), 'case')} not judged because of it: {named}{more}"


def names_all(cases: Sequence[str]) -> bool:
    """Whether the line names every one of them, and a longer list would add nothing."""
    return len(cases) <= NAMED


def stands_alone(case: Mapping[str, Any], behind: Mapping[str, Sequence[str]]) -> bool:
    """Whether a case is told by itself, and not in the line of its cause."""
    return case["cause"] not in behind
