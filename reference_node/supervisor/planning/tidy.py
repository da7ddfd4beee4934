"""A plan without needless work: as soon at its end, with fewer tasks."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from reference_node.supervisor.planning.problem import Task
from reference_node.supervisor.planning.yard import Yard


@dataclass(frozen=True, slots=True)
class Timed:
    """A task with its expected start and end, in ms from the plan's start."""

    task: Task
    start_ms: int
    end_ms: int


def length(tasks: Sequence[Timed]) -> int:
    """When the last task ends."""
    return max((timed.end_ms for timed in tasks), default=0)


def tidied(yard: Yard, free: tuple[int, ...], tasks: tuple[Timed, ...]) -> tuple[Timed, ...]:
    """Leave out what the goals can do without, as long as the last goal is met no later."""
    best, shorter = tasks, True
    while shorter:
        shorter = False
        for other in _shortened([timed.task for timed in best]):
            found = timed_in_order(yard, free, other)
            if found is not None and length(found) <= length(tasks):
                best, shorter = found, True
                break
    return best


def timed_in_order(yard: Yard, free: tuple[int, ...], tasks: Sequence[Task]) -> tuple[Timed, ...] | None:
    """When each of `tasks` would be done in this order; None where they cannot be, or meet not every goal."""
    state, found = yard.start(), []
    for task in tasks:
        step = next((step for step in yard.steps(state) if step.task == task), None)
        if step is None:
            return None
        start = max(step.not_before, *(free[other] for other in yard.near[step.node]))
        free = (*free[: step.node], start + step.cost, *free[step.node + 1 :])
        found.append(Timed(task, start, start + step.cost))
        state = step.after
    return tuple(found) if yard.is_goal(state) else None


def _shortened(tasks: list[Task]) -> Iterator[list[Task]]:
    """The list without one task, and with two carriages of one box by one crane made one."""
    for index, task in enumerate(tasks):
        rest = tasks[:index] + tasks[index + 1 :]
        yield rest
        if task.act == "transfer":
            for later, other in enumerate(rest[index:], start=index):
                if other.act == "transfer" and other.box == task.box:
                    if other.node == task.node and other.target == task.source:
                        yield [*rest[:later], *rest[later + 1 :]]
                    elif other.node == task.node:
                        yield [*rest[:later], replace(other, source=task.source), *rest[later + 1 :]]
                    break
