"""No box is lifted and set down again where it stood, unless something had to happen in between."""

from __future__ import annotations

from collections.abc import Iterator
from random import Random

import pytest

from reference_node.supervisor.observe.boxes import Spot
from reference_node.supervisor.plan.goal_state import GoalState, Visit
from reference_node.supervisor.plan.search import best_plan
from reference_node.supervisor.plan.search.best_plan import plan
from reference_node.supervisor.plan.search.problem import Problem, Task
from reference_node.supervisor.plan.search.tidy import timed_in_order
from reference_node.supervisor.plan.search.yard import Yard
from tests.planning.yards import SITE, north, south
from tests.sample import sampled

COLUMNS = ((north(0), north(1)), (north(2), north(3)), (south(0), south(1)))
LOOKS = 40_000


def drawn(seed: int) -> Problem:
    """Three or four boxes, one or two of them wanted elsewhere, and mostly a train that takes one."""
    rng = Random(seed)
    boxes: dict[str, Spot] = {}
    for label in ("A", "B", "C", "D")[: rng.randint(2, 4)]:
        free = [next((spot for spot in column if spot not in boxes.values()), None) for column in COLUMNS]
        boxes[label] = rng.choice([spot for spot in free if spot is not None])
    labels = rng.sample(sorted(boxes), len(boxes))
    visits: tuple[Visit, ...] = ()
    if rng.random() < 0.7:
        takes = {slot: labels.pop() for slot in rng.sample(range(3), rng.randint(0, 1))}
        late = rng.choice([0, 0, 40_000])
        visits = (Visit("T", "siding", ("", "", ""), takes, rng.random() < 0.8, late),)
    ground = rng.sample([south(0), north(2), north(0)], 2) if rng.random() < 0.5 else [south(0), south(1)]
    wanted = dict(zip(labels[: rng.randint(1, 2)], ground, strict=False))
    at = {"north": rng.choice(COLUMNS[0]), "south": rng.choice(COLUMNS[2])} if rng.random() < 0.5 else {}
    stops = {"ferry": rng.choice(["quay-n", "quay-s"])}
    return Problem(SITE, GoalState(wanted, visits), boxes, stops=stops, let_in={"siding": 0}, at=at)


def without_what_comes_back(tasks: list[Task]) -> Iterator[list[Task]]:
    """For each time that a box comes back to where it stood: the plan without the moves that took it round."""
    for first, task in enumerate(tasks):
        round_trip = []
        for index in range(first, len(tasks)):
            if tasks[index].box == task.box != "":
                round_trip.append(index)
                if tasks[index].target == task.source:
                    yield [other for number, other in enumerate(tasks) if number not in round_trip]


def assert_nothing_comes_back_for_nothing(problem: Problem, looks: int) -> None:
    found = plan(problem, looks)
    if found is None:
        return
    yard, tasks = Yard(problem), [timed.task for timed in found.tasks]
    busy = (0,) * len(yard.nodes)
    for fewer in without_what_comes_back(tasks):
        assert timed_in_order(yard, busy, fewer) is None, f"{found}: {'; '.join(map(str, tasks))}"


def test_a_box_is_left_alone_while_the_train_takes_another() -> None:
    """A crane that waits for a train lifted the next box and put it back, to stand over it when its turn came."""
    boxes = {"C-100": north(0), "C-101": north(1), "C-102": north(2)}
    goal_state = GoalState({"C-102": south(0)}, (Visit("T-7", "siding", (), {0: "C-101"}),))
    found = plan(Problem(SITE, goal_state, boxes, stops={"ferry": "quay-n"}, let_in={"siding": 0}), LOOKS)
    assert found is not None
    assert [timed.task.target for timed in found.tasks if timed.task.box == "C-102"] == [
        Spot("ferry", 0), south(0),
    ]  # fmt: skip
    assert len(found.tasks) == 9
    assert found.gap == 0


@pytest.mark.parametrize("seed", sampled(range(100), range(25)))
def test_nothing_comes_back_for_nothing(seed: int) -> None:
    assert_nothing_comes_back_for_nothing(drawn(seed), LOOKS)


@pytest.mark.parametrize("seed", sampled(range(200), range(50)))
def test_nor_in_a_plan_that_may_not_be_the_best(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """The beam's plan, taken before the search has proved anything."""
    monkeypatch.setattr(best_plan, "FIRST_LOOK", 1)
    assert_nothing_comes_back_for_nothing(drawn(seed), 2)
