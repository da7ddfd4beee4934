"""A plan is tidied: what the goals can do without is left out, in an order that is always the same."""

from __future__ import annotations

from dataclasses import replace

import pytest

from reference_node.supervisor.observe.boxes import Spot
from reference_node.supervisor.plan.search.durations import Durations
from reference_node.supervisor.plan.search.problem import Problem, Task
from reference_node.supervisor.plan.search.tidy import Timed, _shortened, cost, length, tidied, timed_in_order
from reference_node.supervisor.plan.search.yard import Yard
from tests.planning import times
from tests.planning.test_moves_of_the_yard import FERRY, problem, siding, visit
from tests.planning.yards import FromTheSlot, north, south

TO_S, TO_N = Task("ferry", "run", stop="quay-s"), Task("ferry", "run", stop="quay-n")
ADMIT, DEPART = Task("siding", "admit", train="T"), Task("siding", "depart", train="T")


def lift(box: str, source: Spot | None, target: Spot, crane: str = "north") -> Task:
    return Task(crane, "transfer", box, source, target)


def lasts(task: Task) -> int:
    """By the figures of the site file alone."""
    if task.source is None or task.target is None:
        return {"run": times.RUN, "admit": times.ADMIT, "depart": times.DEPART}[task.act]
    return times.transfer(task.node, None, task.source, task.target)


def tidy(of: Problem, *tasks: Task) -> list[Task]:
    yard = Yard(replace(of, durations=FromTheSlot()))
    free = (0,) * len(yard.nodes)
    timed = timed_in_order(yard, free, tasks)
    assert timed is not None
    found = tidied(yard, free, timed)
    assert found == timed_in_order(yard, free, [one.task for one in found])
    assert cost(found) <= cost(timed)
    return [one.task for one in found]


# ---------------------------------------------------------------- what is tried
def test_each_task_is_left_out_each_way_round_and_of_two_moves_one_is_made() -> None:
    out, beside, back = (
        lift("A", north(0), north(2)),
        lift("B", south(0), FERRY, "south"),
        lift("A", north(2), north(0)),
    )
    again = lift("A", north(0), FERRY)
    tasks = [out, beside, back, again]
    assert list(_shortened(tasks)) == [
        [beside, back, again],
        [beside, again],  # Round from north 0 to north 0.
        [beside, lift("A", north(0), north(0)), again],
        [out, back, again],
        [out, beside, again],
        [out, beside, lift("A", north(2), FERRY)],
        [out, beside, back],
    ]


def test_a_way_round_may_have_any_number_of_moves() -> None:
    first, second, third = (
        lift("A", north(0), north(2)),
        lift("A", north(2), FERRY),
        lift("A", FERRY, north(0)),
    )
    assert list(_shortened([TO_N, first, second, third, TO_S])) == [
        [first, second, third, TO_S],
        [TO_N, second, third, TO_S],
        [TO_N, TO_S],
        [TO_N, lift("A", north(0), FERRY), third, TO_S],
        [TO_N, first, third, TO_S],
        [TO_N, first, lift("A", north(2), north(0)), TO_S],
        [TO_N, first, second, TO_S],
        [TO_N, first, second, third],
    ]


def test_moves_of_two_cranes_are_not_made_one_and_runs_are_no_moves() -> None:
    over, on = lift("A", north(0), FERRY), lift("A", FERRY, south(0), "south")
    assert list(_shortened([over, TO_S, on])) == [[TO_S, on], [over, on], [over, TO_S]]
    assert list(_shortened([TO_S, TO_N])) == [[TO_N], [TO_S]]
    assert list(_shortened([ADMIT, DEPART])) == [[DEPART], [ADMIT]]
    assert list(_shortened([])) == []


# ---------------------------------------------------------------- what comes of it
def test_runs_that_nothing_needs_are_left_out() -> None:
    of = problem({"A": north(0)}, wished={"A": north(2)})
    move = lift("A", north(0), north(2))
    assert tidy(of, TO_S, TO_N, move) == [move]
    assert tidy(of, TO_S, move, TO_N, TO_S) == [move]


def test_a_box_that_comes_back_is_left_alone_unless_something_happened_in_between() -> None:
    boxes = {"A": north(0), "B": north(1)}
    aside, back = lift("B", north(1), north(2)), lift("B", north(2), north(1))
    of = problem(boxes, shuttles={"ferry": "quay-s"})
    assert tidy(of, aside, TO_S, back) == [TO_S]
    over = [aside, lift("A", north(0), FERRY), lift("B", north(2), north(0))]
    wish = problem(boxes, wished={"A": FERRY, "B": north(0)})
    assert tidy(wish, *over) == over


def test_two_moves_become_one() -> None:
    of = problem({"A": north(0), "B": south(0)}, wished={"A": FERRY})
    assert tidy(of, lift("A", north(0), north(2)), lift("A", north(2), FERRY)) == [lift("A", north(0), FERRY)]
    beside = replace(of, goal_state=replace(of.goal_state, boxes={"A": north(2)}))
    over, back = lift("A", north(0), FERRY), lift("A", FERRY, north(2))
    assert tidy(beside, over, TO_S, TO_N, back) == [lift("A", north(0), north(2))]


def test_what_costs_nothing_is_left_out_as_well() -> None:
    """A plan that costs the same with a job less is the better one."""
    free_runs = Durations(run_ms=0, order_ms=0)
    yard = Yard(replace(problem(), durations=free_runs))
    nodes = (0,) * len(yard.nodes)
    timed = timed_in_order(yard, nodes, [TO_S, TO_N])
    assert timed == (Timed(TO_S, 0, 0), Timed(TO_N, 0, 0))
    assert tidied(yard, nodes, timed) == ()


def test_what_would_cost_more_stays() -> None:
    of = problem({"A": north(0)}, wished={"A": north(2)}, durations=FromTheSlot())
    yard = Yard(of)
    nodes = (0,) * len(yard.nodes)
    move = lift("A", north(0), north(2))
    work = lasts(move)
    # The least that a plan with the move alone costs is its end and its work.
    for end, kept in ((work, [move]), (work - 1, [TO_S, move])):
        timed = (Timed(TO_S, 0, end), Timed(move, end, end))
        assert cost(timed) == 2 * end
        assert [one.task for one in tidied(yard, nodes, timed)] == kept


# ---------------------------------------------------------------- when each is done
@pytest.mark.parametrize("busy", ["north", "south", "ferry", "siding"])
def test_each_is_done_once_its_node_and_those_beside_it_are_free(busy: str) -> None:
    of = problem(
        {"A": north(0)}, visit(takes={1: "A"}, not_before_ms=40_000), now_ms=10_000, durations=FromTheSlot()
    )
    tasks = [lift("A", north(0), FERRY), ADMIT, TO_S, lift("A", FERRY, siding(1), "south"), DEPART]
    yard = Yard(of)
    free = tuple(70_000 if name == busy else 0 for name in yard.nodes)
    late = {name: 70_000 if name == busy else 0 for name in yard.nodes}
    loaded = max(late["north"], late["ferry"]) + lasts(tasks[0])
    come = max(30_000, late["siding"], late["south"]) + times.ADMIT
    over = max(loaded, late["ferry"], late["south"]) + times.RUN
    landed = max(over, come, late["south"]) + lasts(tasks[3])
    gone = landed + times.DEPART
    ends = [loaded, come, over, landed, gone]
    assert timed_in_order(yard, free, tasks) == tuple(
        Timed(task, end - lasts(task), end) for task, end in zip(tasks, ends, strict=True)
    )
    assert timed_in_order(yard, free, tasks[:-1]) is None, "the train has to leave"
    assert timed_in_order(yard, free, [TO_N, *tasks]) is None, "it stands there"
    assert timed_in_order(yard, free, tasks[::-1]) is None


def test_what_a_plan_costs_is_its_end_and_all_work() -> None:
    tasks = (Timed(TO_S, 3, 10), Timed(ADMIT, 2, 30), Timed(TO_N, 10, 12))
    assert (length(tasks), cost(tasks)) == (30, 30 + 7 + 28 + 2)
    assert (length(()), cost(())) == (0, 0)
