"""The planner's plans against planners that share no rule and no duration with it: every order of jobs, and CP-SAT.

What they are given are the boxes, the wish and the figures of the site file.
"""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from reference_node.supervisor.observe.boxes import Spot
from reference_node.supervisor.observe.neighbours import beside
from reference_node.supervisor.plan.goal_state import GoalState, Visit
from reference_node.supervisor.plan.search.best_plan import Plan, plan
from reference_node.supervisor.plan.search.bound import Bound, cliques
from reference_node.supervisor.plan.search.yard import Yard
from tests.examples import examples
from tests.planning.every_order import least_cost
from tests.planning.yards import CASES, NEAR, SITE, Case, north, south, train

NAMED = [pytest.param(case, id=case.name) for case in CASES]


def best(case: Case) -> Plan:
    found = plan(case.problem())
    assert found is not None
    return found


@pytest.mark.parametrize("case", NAMED)
@pytest.mark.parametrize("with_ways", [False, True], ids=["from the slot", "from where it was"])
def test_no_order_of_jobs_costs_less(case: Case, *, with_ways: bool) -> None:
    """Outside check: a search through every order of jobs, without any bound."""
    case = replace(case, with_ways=with_ways)
    found = best(case)
    assert found.cost_ms == least_cost(case)
    assert found.gap == 0


@pytest.mark.parametrize("case", NAMED)
def test_cp_sat_finds_none_that_costs_less(case: Case) -> None:
    """Outside check: OR-Tools CP-SAT (9.15), over all sequences with one job more than the plan has."""
    # Late: the solver brings pandas, a second at each collection.
    from tests.planning.integer_program import least_cost_by_cp_sat

    found = best(case)
    assert least_cost_by_cp_sat(case, len(found.tasks) + 1) == found.cost_ms


def test_nodes_that_may_meet_are_those_of_the_site_file() -> None:
    assert {name: {name, *beside(SITE, name)} for name in NEAR} == NEAR
    numbers = {name: index for index, name in enumerate(NEAR)}
    found = set(cliques([{numbers[other] for other in near} for near in NEAR.values()]))
    assert found == {
        tuple(sorted(numbers[name] for name in clique))
        for clique in (("north", "ferry"), ("south", "ferry"), ("south", "siding"))
    }


@st.composite
def cases(draw: st.DrawFn) -> Case:
    """Up to three boxes that stand somewhere and may be wanted elsewhere, and perhaps a train."""
    labels = ["A", "B", "C"][: draw(st.integers(1, 3))]
    columns = [[north(0), north(1)], [north(2), north(3)], [south(0), south(1)]]
    boxes: dict[str, Spot] = {}
    for label in labels:
        free = [next(s for s in column if s not in boxes.values()) for column in columns
                if any(s not in boxes.values() for s in column)]  # fmt: skip
        boxes[label] = draw(st.sampled_from(free))
    wanted = draw(
        st.dictionaries(st.sampled_from(labels), st.sampled_from([north(0), north(2), south(0)]), max_size=2)
    )
    wish_boxes = {
        box: spot
        for index, (box, spot) in enumerate(wanted.items())
        if spot not in list(wanted.values())[:index]
    }
    visits: tuple[Visit, ...] = ()
    left = [label for label in labels if label not in wish_boxes]
    if draw(st.booleans()) and left:
        visits = (train({draw(st.integers(0, 2)): left[0]}, late=draw(st.sampled_from([0, 30_000]))),)
    stop, with_ways = draw(st.sampled_from(["quay-n", "quay-s"])), draw(st.booleans())
    return Case("drawn", boxes, GoalState(wish_boxes, visits), stop, with_ways=with_ways)


@given(cases())
@examples(40)
def test_random_yards_have_no_order_that_costs_less(case: Case) -> None:
    found = plan(case.problem())
    assert found is not None
    assert found.cost_ms == least_cost(case)


@given(cases())
@examples(60)
def test_bounds_are_never_above_what_is_left(case: Case) -> None:
    """Along a best plan the bounds of every state are at most its end, and the work still to come: admissible."""
    problem = case.problem()
    found = plan(problem)
    assert found is not None
    yard = Yard(problem)
    bound, state, free = Bound(yard), yard.start(), (0,) * len(yard.nodes)
    left = found.cost_ms - found.ends_ms
    for timed in found.tasks:
        assert bound.of(state, free) <= found.ends_ms
        assert bound.work(state) <= left
        step = next(step for step in yard.steps(state) if step.task == timed.task)
        free = (*free[: step.node], timed.end_ms, *free[step.node + 1 :])
        state, left = step.after, left - step.cost
    assert yard.is_goal(state)
    assert (bound.work(state), left) == (0, 0)
