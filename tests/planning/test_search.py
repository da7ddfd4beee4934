"""The search for the best plan: what it looks at and in which order, when it settles, and what it says of a plan."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import pytest

from reference_node.supervisor.plan.search import best_plan
from reference_node.supervisor.plan.search.best_plan import Plan, Search, Track, plan
from reference_node.supervisor.plan.search.problem import Problem, Task
from reference_node.supervisor.plan.search.tidy import Timed
from reference_node.supervisor.plan.search.yard import Yard
from tests.planning.search_by_its_rules import ByItsRules, Limits
from tests.planning.test_moves_of_the_yard import problem
from tests.planning.test_needless import drawn
from tests.planning.yards import CASES, north, south

RUN = Task("ferry", "run", stop="quay-s")
FULL = {"A": north(0), "B": north(1), "C": north(2), "D": north(3), "E": south(0), "F": south(1)}
NO_WAY = problem({"A": north(0), "B": north(1)}, wished={"A": north(3)}, unsure=frozenset({north(2)}))


def searched(of: Problem, limits: Limits, monkeypatch: pytest.MonkeyPatch) -> Search:
    for name, value in (
        ("FIRST_LOOK", limits.first_look), ("BEAM", limits.beam), ("LONGEST", limits.longest),
    ):  # fmt: skip
        monkeypatch.setattr(best_plan, name, value)
    search = Search(of, limits.looks)
    assert search.run(1 << 40)
    return search


def assert_goes_by_its_rules(of: Problem, limits: Limits, monkeypatch: pytest.MonkeyPatch) -> None:
    search, expected = searched(of, limits, monkeypatch), ByItsRules(of, limits).search()
    found = search.plan
    assert (found.tasks if found else None) == expected.tasks
    assert search.exhausted == expected.exhausted
    if found is not None:
        assert (found.bound_ms, found.looks) == (expected.bound, expected.looks)


def test_where_there_is_no_plan_all_was_looked_at(monkeypatch: pytest.MonkeyPatch) -> None:
    for limits in (Limits(10_000, 10_000, 4, 10), Limits(0, 10_000, 4, 10)):
        search = searched(NO_WAY, limits, monkeypatch)
        assert (search.plan, search.exhausted) == (None, True)
    few = searched(NO_WAY, Limits(10_000, 3, 4, 10), monkeypatch)
    assert (few.plan, few.exhausted) == (None, False)
    assert plan(NO_WAY) is None


def test_a_plan_that_nothing_undercuts_is_proved_best(monkeypatch: pytest.MonkeyPatch) -> None:
    """The beam's plan is the best: the search ends where nothing that costs less is left."""
    case = next(one for one in CASES if one.name == "over the water")
    search = searched(case.problem(), Limits(0, 10_000, 30, 10), monkeypatch)
    assert search.plan is not None
    assert (search.plan.gap, search.plan.bound_ms) == (0, search.plan.cost_ms)


@pytest.mark.parametrize("portion", [1, 7, 100])
def test_in_portions_it_comes_to_the_same(portion: int) -> None:
    """And each portion looks at no more than was asked for and what follows one state more."""
    of = next(one for one in CASES if one.name == "upside down").problem()
    whole = plan(of)
    search = Search(of)
    looked = [search._looks]
    assert looked == [0]
    while not search.run(portion):
        assert search.plan is None
        looked.append(search._looks)
    assert search.plan == whole
    assert whole is not None
    assert search._looks == whole.looks
    steps = [after - before for before, after in pairwise(looked)]
    assert all(portion <= step <= portion + 8 for step in steps)
    assert len(steps) >= whole.looks // (portion + 8) - 1
    assert search.run(1), "what is over stays so"


def test_nothing_to_do_is_a_plan_without_jobs() -> None:
    found = plan(problem({"A": north(0)}, wished={"A": north(0)}))
    assert found == Plan((), 0, 0)
    assert (found.ends_ms, found.cost_ms, found.gap) == (0, 0, 0)
    busy = plan(problem(busy_ms={"north": 700}))
    assert busy == Plan((), 700, 0)


# ---------------------------------------------------------------- what is said of a plan
@pytest.mark.parametrize(
    ("ends", "bound", "gap", "said"),
    [
        ((2_000_000,), 4_000_000, 0.0, "1 job in about 2000 s, the best there is"),
        ((4_400,), 8_000, 0.1, "1 job in about 4 s, at most 10% from the best"),
        ((4_400,), 9_000, 0.0, "1 job in about 4 s, the best there is"),
        ((4_400,), 0, 0.0, "1 job in about 4 s, the best there is"),
        ((4_400,), 1, 8_799.0, "1 job in about 4 s, at most 879900% from the best"),
        ((61_600, 400), 62_000, 61.6 / 62, "2 jobs in about 62 s, at most 99% from the best"),
        ((), 0, 0.0, "0 jobs in about 0 s, the best there is"),
    ],
)
def test_how_far_a_plan_may_be_from_the_best(
    ends: tuple[int, ...], bound: int, gap: float, said: str
) -> None:
    found = Plan(tuple(Timed(RUN, 0, end) for end in ends), bound, 5)
    assert found.ends_ms == max(ends, default=0)
    assert found.cost_ms == max(ends, default=0) + sum(ends)
    assert found.gap == pytest.approx(gap)
    assert str(found) == said


def test_a_track_tells_what_it_took() -> None:
    start = Yard(problem()).start()
    root = Track(start, (3, 9, 4, 1))
    first = Track(start, (3, 9, 14, 1), 5, Timed(RUN, 9, 14), root)
    second = Track(start, (3, 9, 14, 30), 7, Timed(replace(RUN, stop="quay-n"), 28, 30), first)
    assert (root.cost, root.spent, root.tasks) == (9, (3, 9, 4, 1, 0), ())
    assert (second.cost, second.spent) == (37, (3, 9, 14, 30, 7))
    assert [timed.task.stop for timed in second.tasks] == ["quay-s", "quay-n"]


def test_of_what_is_no_better_anywhere_nothing_is_kept() -> None:
    """Earlier at one node and later at another are both kept; what is as early everywhere is not looked at twice."""
    search, start = Search(problem()), Yard(problem()).start()
    for free, work, new in (
        ((5, 5, 5, 5), 5, True), ((5, 5, 5, 5), 5, False), ((5, 5, 5, 6), 5, False), ((5, 5, 5, 5), 6, False),
        ((4, 6, 5, 5), 5, True), ((5, 5, 5, 5), 4, True), ((4, 5, 5, 5), 4, True),
    ):  # fmt: skip
        assert search._is_new(Track(start, free, work)) is new
    stale = [search._is_stale(Track(start, free, work)) for free, work in (
        ((5, 5, 5, 5), 5), ((5, 5, 5, 5), 4), ((4, 6, 5, 5), 5), ((4, 5, 5, 5), 4),
    )]  # fmt: skip
    assert stale == [True, True, True, False]
    other = start._replace(stops=("quay-s",))
    assert not search._is_stale(Track(other, (9, 9, 9, 9), 9)), "a state that was not met"
    assert search._is_new(Track(other, (9, 9, 9, 9), 9))


def test_each_task_starts_once_its_node_and_those_beside_it_are_free() -> None:
    """The siding is beside the south crane alone, the ferry beside both cranes."""
    of = problem({"A": north(0), "B": south(0)}, stops={"ferry": "quay-s"}, busy_ms={"siding": 8_000})
    search = Search(of)
    for after in search.successors(search._root):
        last = after.last
        assert last is not None
        assert last.start_ms == (8_000 if last.task.node == "south" else 0)
        assert after.work == last.end_ms - last.start_ms
        assert after.free == tuple(
            last.end_ms if name == last.task.node else of.busy_ms.get(name, 0) for name in search.yard.nodes
        )
        assert after.before is search._root


def test_the_beam_leaves_alone_what_is_in_nobody_s_way() -> None:
    """A has to go and D stands on it; B is free to stay."""
    boxes = {"A": north(0), "D": north(1), "B": north(2)}
    search = Search(problem(boxes, wished={"A": south(0)}))
    ordered = {after.last.task.box for after in search._towards_goals(search._root) if after.last}
    assert ordered == {"D", ""}
    every = {after.last.task.box for after in search.successors(search._root) if after.last}
    assert every == {"B", "D", ""}


# ---------------------------------------------------------------- what it looks at, and in which order
LIMITS = [
    Limits(10_000, 300, 30, 150), Limits(0, 400, 3, 12), Limits(20, 150, 2, 12), Limits(50, 51, 4, 5),
    Limits(100, 600, 1, 10), Limits(1, 1, 5, 4),
]  # fmt: skip


@pytest.mark.parametrize("limits", LIMITS)
@pytest.mark.parametrize("seed", range(8))
def test_it_goes_by_its_rules(seed: int, limits: Limits, monkeypatch: pytest.MonkeyPatch) -> None:
    """Also where it settles for less than the best: recordings are played again by the same plans."""
    of = drawn(seed)
    busy = {"north": 3_000 * (seed % 3), "ferry": 2_000 * (seed % 2)}
    assert_goes_by_its_rules(replace(of, busy_ms=busy), limits, monkeypatch)


@pytest.mark.parametrize("name", ["under another", "two swap columns", "to the north", "a crane is busy"])
@pytest.mark.parametrize("beam_at", [0, 30, 10_000])
def test_so_it_does_to_the_end(name: str, beam_at: int, monkeypatch: pytest.MonkeyPatch) -> None:
    case = next(one for one in CASES if one.name == name)
    assert_goes_by_its_rules(case.problem(), Limits(beam_at, 10_000, 4, 10), monkeypatch)
