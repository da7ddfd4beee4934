"""The lower bound and the least work of small yards, added up by hand from what no plan can do without."""

from __future__ import annotations

from itertools import combinations
from random import Random

import pytest

from reference_node.supervisor.observe.boxes import Spot
from reference_node.supervisor.plan.search.bound import Bound, Job, cliques, one_machine
from reference_node.supervisor.plan.search.yard import Yard
from tests.planning.test_moves_of_the_yard import FERRY, siding
from tests.planning.yards import CASES, SITE, FromTheSlot, north, south

TIMES = FromTheSlot()
RUN = TIMES.run_ms + TIMES.order_ms
ADMIT, DEPART = TIMES.admit_ms + TIMES.order_ms, TIMES.depart_ms + TIMES.order_ms


def lift(source: Spot, target: Spot) -> int:
    """One transfer by the crane of that shore."""
    crane = SITE.nodes["north" if "stack-n" in (source.place, target.place) else "south"].crane
    assert crane is not None
    return TIMES.transfer(crane, None, source, target)


def away(source: Spot, *targets: Spot) -> int:
    """The least transfer to anywhere."""
    return min(lift(source, target) for target in targets)


OVER = lift(north(0), FERRY) + RUN + lift(FERRY, south(0))
BACK = lift(south(0), FERRY) + RUN + lift(FERRY, north(0))
SWAP = lift(north(0), north(2)) + lift(north(2), north(0))
OFF_AND_ON = ADMIT + lift(south(0), siding(0)) + lift(siding(1), south(0)) + DEPART
BOUNDS: dict[str, tuple[int, int, str]] = {
    "one box beside": (lift(north(0), north(2)), lift(north(0), north(2)), "A"),
    "two swap columns": (SWAP, SWAP, "AB"),
    "over the water": (OVER, OVER, "A"),
    "over the water, shuttle away": (OVER, OVER, "A"),
    "to the north": (BACK, BACK, "A"),
    "to a train": (
        ADMIT + lift(FERRY, siding(0)) + DEPART,
        lift(north(0), FERRY) + RUN + lift(FERRY, siding(0)) + ADMIT + DEPART,
        "A",
    ),
    "to a train that stands there": (
        lift(south(0), siding(2)) + DEPART,
        lift(south(0), siding(2)) + DEPART,
        "A",
    ),
    "from a train": (
        ADMIT + lift(siding(1), south(0)) + DEPART,
        ADMIT + lift(siding(1), south(0)) + DEPART,
        "D",
    ),
    "one off, one on": (OFF_AND_ON, OFF_AND_ON, "AD"),
    "a crane is busy": (9_000 + lift(north(0), north(2)), 0, "A"),
}
"""Bound, work (0: not looked at) and the boxes that matter, by the name of the case."""


@pytest.mark.parametrize("name", BOUNDS)
def test_the_bound_is_what_no_plan_can_do_without(name: str) -> None:
    """On one machine, or on one way: heads, all the work and tails add up (Carlier, 1982)."""
    case = next(one for one in CASES if one.name == name)
    yard = Yard(case.problem())
    bound, start = Bound(yard), yard.start()
    least, work, matters = BOUNDS[name]
    free = tuple(case.busy_ms.get(node, 0) for node in yard.nodes)
    assert bound.of(start, free) == least
    assert bound.work(start) == (work or bound.work(start))
    assert (
        "".join(sorted(yard.labels[label] for label in bound.matters(start) if label in yard.targets))
        == matters
    )
    late = tuple(one + 5_000 for one in free)
    assert bound.of(start, late) >= least


def test_what_stands_on_a_box_is_moved_once_at_least() -> None:
    case = next(one for one in CASES if one.name == "under another")
    yard = Yard(case.problem())
    bound, start = Bound(yard), yard.start()
    once = away(north(1), north(2), north(3), FERRY, north(0)) + lift(north(0), north(2))
    assert (bound.of(start, (0,) * len(yard.nodes)), bound.work(start)) == (once, once)
    assert {yard.labels[label] for label in bound.matters(start)} == {"A", "B"}


@pytest.mark.parametrize("node", ["north", "south", "ferry", "siding"])
def test_who_is_busy_holds_up_what_it_has_to_do(node: str) -> None:
    """A box that goes over the water waits for its cranes, the shuttle, and the berth beside the second crane."""
    case = next(one for one in CASES if one.name == "over the water")
    yard = Yard(case.problem())
    free = tuple(60_000 if name == node else 0 for name in yard.nodes)
    found = Bound(yard).of(yard.start(), free)
    ends = {
        "north": 60_000 + OVER,
        "ferry": 60_000 + OVER,
        "south": 60_000 + RUN + lift(FERRY, south(0)),
        "siding": 60_000 + lift(FERRY, south(0)),
    }
    assert found == ends[node]


def test_where_nothing_is_to_be_done_the_bound_is_what_is_under_way() -> None:
    case = next(one for one in CASES if one.name == "one box beside")
    yard = Yard(case.problem())
    done = yard.start()._replace(boxes=(yard.spot[north(2)],))
    bound = Bound(yard)
    assert (
        bound.of(done, (0,) * 4),
        bound.of(done, (3, 9, 4, 1)),
        bound.work(done),
        bound.matters(done),
    ) == (0, 9, 0, set())


@pytest.mark.parametrize("seed", range(40))
def test_the_bound_of_one_machine_is_the_greatest_over_all_sets_of_its_jobs(seed: int) -> None:
    """Least head, all work, least tail (J. Carlier, The one-machine sequencing problem, 1982)."""
    rng = Random(seed)
    jobs = [Job(rng.randint(0, 9), rng.randint(1, 9), rng.randint(0, 9)) for _ in range(rng.randint(0, 5))]
    start = rng.randint(0, 6)
    sets = [chosen for size in range(1, len(jobs) + 1) for chosen in combinations(jobs, size)]
    expected = max(
        (max(start, min(j.head for j in s)) + sum(j.work for j in s) + min(j.tail for j in s) for s in sets),
        default=0,
    )
    assert one_machine(jobs, start) == expected


@pytest.mark.parametrize("seed", range(20))
def test_cliques_are_all_sets_of_which_each_is_beside_each_and_that_nothing_extends(seed: int) -> None:
    rng, size = Random(seed), 5
    near: list[set[int]] = [{n} for n in range(size)]
    for one, other in combinations(range(size), 2):
        if rng.random() < 0.5:
            near[one].add(other)
            near[other].add(one)
    sets = [set(s) for count in range(1, size + 1) for s in combinations(range(size), count)]
    whole = [s for s in sets if all(b in near[a] for a in s for b in s)]
    greatest = {tuple(sorted(s)) for s in whole if not any(s < other for other in whole)}
    found = list(cliques(near))
    assert (set(found), len(found)) == (greatest, len(greatest))
