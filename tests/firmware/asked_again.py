"""A run of the suite over a real line on a machine that may stand still: what that left open is asked again."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

ROUNDS = 3
Report = dict[str, Any]


def verdicts_of(ask: Callable[[Sequence[str]], Report]) -> dict[str, str]:
    """By case what was said of it at last. `ask` runs the suite with more words and gives its report.

    A case is asked again only where nothing worse was said of any: one that fails is never asked twice.
    """
    found: dict[str, str] = {}
    words: list[str] = []
    for _ in range(ROUNDS):
        found |= {case["id"]: case["verdict"] for case in ask(words)["cases"] if case["verdict"] != "none"}
        spoken = against(found)
        if set(spoken.values()) != {"inconclusive"}:
            break
        words = [word for case in spoken for word in ("--only", case)]
    return found


def against(found: dict[str, str]) -> dict[str, str]:
    """What is said against the board, or could not be judged, by case."""
    return {case: verdict for case, verdict in found.items() if verdict != "pass"}
