"""How fast the yard is explored, against entering as many tuples into a dict, which is the least that it has to do."""

from __future__ import annotations

from collections.abc import Iterator
from time import process_time

from benchmarks.row import Row
from tests.proof.engine.explore import Exploration
from tests.proof.yard.budget import Budget
from tests.proof.yard.yard import Yard

BUDGETS = (Budget("crane", {"late word": 1}), Budget("crane", {"cancel": 1}))


def rows() -> Iterator[Row]:
    """One row for the edges of each budget; its figures name the states too."""
    for budget in BUDGETS:
        exploration = Exploration(Yard(budget))
        began = process_time()
        found = exploration.run()
        took = process_time() - began
        states = exploration.states
        began = process_time()
        seen: dict[object, int] = {}
        for number in range(found.edges):
            seen.setdefault((*states[number % len(states)],), number)
        least = process_time() - began
        assert len(seen) == found.states
        figures = f"{found.states / took:,.0f} states/s, {found.edges / took:,.0f} edges/s"
        yield Row(f"exploring {budget.name} / a dict entry for each edge", took / least, None, figures)
