"""The cases of a run that came to no verdict, by kind and reason: with those that did, they are all cases."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from typing import Any

from conformance.tester.no_verdict import KINDS, NO_OCCASION, NOT_FOR_IT, kind

WITH_REASONS = (NO_OCCASION, NOT_FOR_IT)


def lines(report: Mapping[str, Any]) -> Iterator[str]:
    """How many there are of each kind, and why where the kind does not say it."""
    none = [case for case in report["cases"] if case["verdict"] == "none"]
    for one in KINDS:
        reasons = Counter(case["reason"] for case in none if kind(case) == one)
        if not reasons:
            continue
        told = f"{one}: {reasons.total()}"
        if one in WITH_REASONS:
            told += f" ({'; '.join(_times(reason, n) for reason, n in reasons.items())})"
        yield told


def _times(reason: str, number: int) -> str:
    return reason if number == 1 else f"{number} cases: {reason}"
