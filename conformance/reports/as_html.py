"""The report as one self-contained HTML page: verdict and failures first, then every case, then what was asked."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from conformance.reports import causes, completeness, first_cause, standstill, walk
from conformance.reports.counted import counted
from conformance.templates import environment
from conformance.tester.result import IDENTITY
from protocol.specification import specification

Section = tuple[str, str, Sequence[Mapping[str, Any]]]


def render(report: Mapping[str, Any]) -> str:
    """The page; all text in it comes escaped."""
    chapters: dict[str, list[Any]] = {}
    for case in report["cases"]:
        chapters.setdefault(case["chapter"], []).append(case)
    behind = causes.folded(report)
    sections = list(_sections([one for one in report["cases"] if causes.stands_alone(one, behind)]))
    failed = first_cause.failed(report, behind)
    rules = specification().requirements
    return (
        environment()
        .get_template("conformance.html")
        .render(
            report=report,
            chapters=chapters,
            sections=sections,
            carded={case["id"] for _, _, cases in sections for case in cases},
            rules=[rules[id_] for id_ in rules if id_ in _named(report)],
            caveats=completeness.caveats(report),
            causes=causes,
            counted=counted,
            first=first_cause.first(failed, report),
            others=first_cause.others(failed),
            still=standstill.line(report),
            identity=IDENTITY,
            behind=behind,
            drawing=walk.drawing(report["walk"]) if report.get("walk") else None,
        )
    )


def _sections(cases: Sequence[Mapping[str, Any]]) -> Iterator[Section]:
    """The cases that have more to say than their verdict, the worst first: title, anchor, cases."""
    told = [case for case in cases if case["evidence"] or case["reason"]]
    yield "Failed", "failed", [case for case in told if case["verdict"] in ("fail", "error")]
    yield "Inconclusive", "inconclusive", [case for case in told if case["verdict"] == "inconclusive"]
    rest = [case for case in cases if case["verdict"] in ("pass", "none") and case["warnings"]]
    yield "Passed with a warning", "warned", rest


def _named(report: Mapping[str, Any]) -> set[str]:
    """Every requirement that the page links to."""
    found = {id_ for case in report["cases"] for id_ in case["requirements"]} | set(report["judged"])
    for case in report["cases"]:
        told = [case["evidence"], *case["breaches"], *case["warnings"]]
        found |= {one["requirement"] for one in told if one is not None}
    return found | {one["requirement"] for one in report["people"]}
