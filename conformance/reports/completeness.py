"""What a verdict does not stand on: what the run did not come to, and what was asked for and not judged."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any


def judged(report: Mapping[str, Any]) -> int:
    """How many cases came to a verdict."""
    return sum(number for word, number in report["counts"].items() if word != "none")


def incomplete(report: Mapping[str, Any]) -> str:
    """How far a run came that did not come to its end, and why; '' for one that did."""
    if report["complete"]:
        return ""
    open_ = len(report["not_reached"])
    came = judged(report)
    far = f"{came} of {came + open_} cases were judged, and nothing is said of the other {open_}"
    if not open_:
        far = "every case was judged, and what people were to be asked was not"
    return f"incomplete ({report['stopped'] or 'stopped before its end'}): {far}"


def unjudged(report: Mapping[str, Any]) -> str:
    """Which cases were asked for by name and came to no verdict, and why; '' where there are none."""
    reasons = {case["id"]: case["reason"] for case in report["cases"]}
    told = "; ".join(f"{id_} ({reasons[id_]})" for id_ in report["unjudged"])
    return f"asked for and not judged: {told}" if told else ""


def caveats(report: Mapping[str, Any]) -> list[str]:
    """All that keeps a verdict from being a pass though no case broke anything, in sentences."""
    return [told for told in (incomplete(report), unjudged(report)) if told]
