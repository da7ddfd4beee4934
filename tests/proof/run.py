"""Runs budgets and says what came of them."""

from __future__ import annotations

import gc
import json
import time
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from tests.proof.engine.explore import Exploration
from tests.proof.yard.budget import Budget
from tests.proof.yard.participants import Steps
from tests.proof.yard.yard import Yard

RECORDED = Path(__file__).parent / "recorded.json"
"""How many states and edges each small budget has: a run that finds fewer has lost something."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """What one exploration found."""

    name: str
    states: int
    edges: int
    depth: int
    agreed: int
    complete: bool
    seconds: float
    """Of processor."""
    wrong: str = ""

    @property
    def line(self) -> str:
        """For a terminal."""
        end = "complete" if self.complete else "NOT COMPLETE"
        return (
            f"{self.name:44} {self.states:9,} states {self.edges:10,} edges, depth {self.depth:4}, "
            f"{self.seconds:6.1f} s, {end}"
        )


def explore(
    budget: Budget, *, steps: Steps | None = None, most: int | None = None, depth_first: bool = False
) -> Outcome:
    """Explore one budget, to its end or up to `most` states. `steps`: those that other budgets have done."""
    return outcome_of(budget.name, Exploration(Yard(budget, steps), most=most, depth_first=depth_first))


def outcome_of(name: str, exploration: Exploration[Any]) -> Outcome:
    """Run an exploration."""
    begun = time.process_time()
    found = exploration.run()
    wrong = ""
    if found.violation is not None:
        wrong = str(found.violation)
    elif found.stuck:
        wrong = "\n  ".join(["there is no way on after", *found.stuck_at])
    elif found.lost:
        wrong = "\n  ".join(
            [f"from {found.lost} states no undisturbed way leads to agreement; first", *found.lost_at]
        )
    elif found.complete and not found.agreed:
        wrong = "nothing is ever agreed"
    seconds = time.process_time() - begun
    return Outcome(
        name,
        found.states,
        found.edges,
        found.depth,
        found.agreed,
        found.complete,
        round(seconds, 1),
        wrong,
    )


def collect_seldom() -> None:
    """Have the interpreter look for circles seldom: what is kept has none, what is thrown away is taken apart."""
    gc.set_threshold(100_000, 50, 1_000)


def recorded() -> dict[str, dict[str, int]]:
    """What was recorded, by name of the budget."""
    found: dict[str, dict[str, int]] = json.loads(RECORDED.read_text(encoding="utf-8"))
    return found


def record(outcomes: list[Outcome]) -> None:
    """Keep the counts of these outcomes, beside those of other budgets."""
    known = recorded() if RECORDED.exists() else {}
    for outcome in outcomes:
        told = asdict(outcome)
        known[outcome.name] = {name: told[name] for name in ("states", "edges", "depth")}
    RECORDED.write_text(json.dumps(known, indent=1, sort_keys=True) + "\n", encoding="utf-8")
