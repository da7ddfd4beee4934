"""Where to begin in a report with failures: the first of them, with what was expected, what was seen, and why perhaps.

A case is run behind those that it rests on, so the first that failed is nearest to the cause; what the others say may
come from it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from conformance.reports import causes
from conformance.reports.counted import counted

LONGEST = 160
"""Of what was expected and of what was seen in a summary: the evidence tells all of it."""


def failed(report: Mapping[str, Any], behind: Mapping[str, Sequence[str]]) -> list[Mapping[str, Any]]:
    """The cases that failed by themselves, in the order of the run."""
    return [
        case for case in report["cases"]
        if case["verdict"] in ("fail", "error") and causes.stands_alone(case, behind)
    ]  # fmt: skip


def first(failures: Sequence[Mapping[str, Any]], report: Mapping[str, Any]) -> Mapping[str, Any] | None:
    """The case to begin with; None where none failed, or where the node is not what was asked for: that comes first."""
    return failures[0] if failures and not report["identity"]["differences"] else None


def others(failures: Sequence[Mapping[str, Any]]) -> str:
    """What is said of all but the first; '' where there are none."""
    number = len(failures) - 1
    if not number:
        return ""
    them = "it" if number == 1 else "they"
    return f"{counted(number, 'more case')} failed; fix this first: {them} may have the same cause"


def in_short(case: Mapping[str, Any], longest: int = LONGEST) -> str:
    """A failure that is understood without its evidence: the requirement, what was expected and what was seen."""
    evidence = case["evidence"]
    if evidence is None:
        return f"{case['id']}: {_cut(case['reason'], 2 * longest)}"
    expected = f", expected {_cut(evidence['expected'], longest)}" if evidence["expected"] else ""
    return f"{case['id']}: {evidence['requirement']}{expected}, seen {_cut(str(evidence['seen']), longest)}"


def perhaps(case: Mapping[str, Any]) -> str:
    """The likeliest cause of a failure; '' where none is known."""
    causes_ = case["evidence"]["causes"] if case["evidence"] is not None else ()
    return causes_[0] if causes_ else ""


def _cut(text: str, longest: int) -> str:
    line = " ".join(text.split())
    return line if len(line) <= longest else f"{line[: longest - 4].rstrip()} ..."
