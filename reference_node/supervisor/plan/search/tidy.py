"""What a plan costs, and a plan without work that costs more than it saves."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from reference_node.supervisor.plan.search.problem import Task
from reference_node.supervisor.plan.search.yard import Yard


@dataclass(frozen=True, slots=True)
class Timed:
    """A task with its expected start and end, in ms from the plan's start."""

    task: Task
    start_ms: int
    end_ms: int


def length(tasks: Sequence[Timed]) -> int:
    """When the last task ends."""
    return max((timed.end_ms for timed in tasks), default=0)


def cost(tasks: Sequence[Timed]) -> int:
    """When the last task ends, and the work of all nodes: a job that takes longer than it saves is not worth it.

    Without the work a crane that has to wait would lift the box that it takes next and put it back, only to
    stand over it when its turn comes.
    """
    return length(tasks) + sum(timed.end_ms - timed.start_ms for timed in tasks)


def tidied(yard: Yard, free: tuple[int, ...], tasks: tuple[Timed, ...]) -> tuple[Timed, ...]:
    """Leave out what the goals can do without, as long as the plan costs no more."""
    best, shorter = tasks, True
    while shorter:
        shorter = False
        for other in _shortened([timed.task for timed in best]):
            found = timed_in_order(yard, free, other)
            if found is not None and cost(found) <= cost(best):
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
    """The list without one task, without a box's way round to where it stood, and with two of its moves made one."""
    for index, task in enumerate(tasks):
        yield tasks[:index] + tasks[index + 1 :]
        moves = [
            n for n in range(index, len(tasks)) if tasks[n].box == task.box and tasks[n].act == "transfer"
        ]
        for count, last in enumerate(moves, start=1) if task.act == "transfer" else ():
            if tasks[last].target == task.source:
                yield [other for n, other in enumerate(tasks) if n not in moves[:count]]
        if len(moves) > 1 and task.act == "transfer" and tasks[moves[1]].node == task.node:
            merged = replace(tasks[moves[1]], source=task.source)
            yield [*tasks[:index], *tasks[index + 1 : moves[1]], merged, *tasks[moves[1] + 1 :]]
