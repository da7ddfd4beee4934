"""Explores with time that counts, and says what came of it."""

from __future__ import annotations

import json
from pathlib import Path

from tests.proof.engine.explore import Exploration
from tests.proof.run import Outcome, outcome_of
from tests.proof.timed.yard import TimedBudget, TimedYard, timed

RECORDED = Path(__file__).parent / "recorded.json"
"""How many states and edges each budget has: a run that finds fewer has lost something."""


def explore(budget: TimedBudget, *, depth_first: bool = False) -> Outcome:
    """Explore one budget to its end."""
    return outcome_of(budget.name, Exploration(TimedYard(budget), depth_first=depth_first))


def recorded() -> dict[str, dict[str, int]]:
    """What was recorded, by name of the budget."""
    found: dict[str, dict[str, int]] = json.loads(RECORDED.read_text(encoding="utf-8"))
    return found


def record() -> None:
    """Explore every budget and keep its counts."""
    found = [explore(budget) for budget in timed()]
    told = {one.name: {"states": one.states, "edges": one.edges, "depth": one.depth} for one in found}
    RECORDED.write_text(json.dumps(told, indent=1, sort_keys=True) + "\n", encoding="utf-8")
