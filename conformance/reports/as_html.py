"""The report as one self-contained HTML page."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined


def render(report: Mapping[str, Any]) -> str:
    """The page; all text in it comes escaped."""
    environment = Environment(
        loader=PackageLoader("conformance", "pages"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
    )
    chapters: dict[str, list[Any]] = {}
    for case in report["cases"]:
        chapters.setdefault(case["chapter"], []).append(case)
    return environment.get_template("conformance.html").render(report=report, chapters=chapters)
