"""The report as one self-contained HTML page."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined

from conformance.reports import causes, completeness, standstill, walk
from conformance.tester.runner import IDENTITY


def render(report: Mapping[str, Any]) -> str:
    """The page; all text in it comes escaped."""
    environment = Environment(
        loader=PackageLoader("conformance", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
    )
    chapters: dict[str, list[Any]] = {}
    for case in report["cases"]:
        chapters.setdefault(case["chapter"], []).append(case)
    caveats = completeness.caveats(report)
    page = environment.get_template("conformance.html")
    return page.render(
        report=report,
        chapters=chapters,
        caveats=caveats,
        causes=causes,
        still=standstill.line(report),
        identity=IDENTITY,
        behind=causes.folded(report),
        drawing=walk.drawing(report["walk"]) if report.get("walk") else None,
    )
