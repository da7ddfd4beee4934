"""The search by what it says of itself: lists in place of heaps, all pairs compared, nothing done in portions.

The bound and the steps of a yard are the planner's own: other tests hold them.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from reference_node.supervisor.plan.search.bound import Bound
from reference_node.supervisor.plan.search.problem import Problem
from reference_node.supervisor.plan.search.tidy import Timed, tidied
from reference_node.supervisor.plan.search.yard import State, Yard


class Limits(NamedTuple):
    """When the beam is tried, when the search settles, how wide the beam is, and how many tasks it goes."""

    first_look: int
    looks: int
    beam: int
    longest: int


class Found(NamedTuple):
    """What a search comes to."""

    tasks: tuple[Timed, ...] | None
    bound: int
    looks: int
    exhausted: bool


class Node(NamedTuple):
    state: State
    free: tuple[int, ...]
    work: int
    tasks: tuple[Timed, ...]

    @property
    def spent(self) -> tuple[int, ...]:
        return (*self.free, self.work)


class ByItsRules:
    """One search."""

    def __init__(self, problem: Problem, limits: Limits) -> None:
        self.yard, self.limits = Yard(problem), limits
        self.bound = Bound(self.yard)
        free = tuple(problem.busy_ms.get(node, 0) for node in self.yard.nodes)
        self.root = Node(self.yard.start(), free, 0, ())
        self.good: Node | None = None
        self.looks = 0

    def search(self) -> Found:
        """A* (Hart, Nilsson and Raphael, 1968)."""
        waiting = [(self._least(self.root), 0, 0, self.root)]
        seen: list[Node] = []
        beamed, number = False, 0
        while waiting:
            bound, _, _, node = waiting.pop(waiting.index(min(waiting, key=lambda one: one[:3])))
            if not bound < self._limit():
                break
            if self.yard.is_goal(node.state):
                return self._settled(node, bound)
            if number and node not in seen:
                continue
            if self.looks >= self.limits.first_look and not beamed:
                beamed = True
                self._try_a_beam()
            if self.looks >= self.limits.looks:
                return self._settled(self.good, bound)
            for after in self._next(node):
                self.looks += 1
                alike = [other for other in seen if other.state == after.state]
                if any(_no_worse(other, after) for other in alike):
                    continue
                seen = [
                    other for other in seen if other.state != after.state or not _no_worse(after, other)
                ] + [after]
                if self._least(after) < self._limit():
                    number += 1
                    waiting.append((self._least(after), sum(after.free), number, after))
        return self._settled(self.good, self._limit(), exhausted=True)

    def _limit(self) -> int:
        return max(self.good.free) + self.good.work if self.good is not None else 1 << 62

    def _least(self, node: Node) -> int:
        """The time of a node and its work, each with the least that is still to come."""
        return self.bound.of(node.state, node.free) + node.work + self.bound.work(node.state)

    def _next(self, node: Node) -> Iterator[Node]:
        yard = self.yard
        for step in yard.steps(node.state):
            start = max([step.not_before, *(node.free[other] for other in yard.near[step.node])])
            end = start + step.cost
            free = [end if number == step.node else time for number, time in enumerate(node.free)]
            tasks = (*node.tasks, Timed(step.task, start, end))
            yield Node(step.after, tuple(free), node.work + step.cost, tasks)

    def _settled(self, node: Node | None, bound: int, *, exhausted: bool = False) -> Found:
        tasks = tidied(self.yard, self.root.free, node.tasks) if node is not None else None
        return Found(tasks, bound, self.looks, exhausted)

    def _try_a_beam(self) -> None:
        """Of each number of tasks the states that promise most; what has been met at fewer is not met again."""
        beam, met = [self.root], [self.root.state]
        for _ in range(self.limits.longest):
            best: dict[State, Node] = {}
            for node in beam:
                matters = {self.yard.labels[label] for label in self.bound.matters(node.state)}
                for after in self._next(node):
                    if after.tasks[-1].task.box not in {"", *matters}:
                        continue
                    self.looks += 1
                    other = best.get(after.state)
                    if after.state not in met and (other is None or sum(after.spent) < sum(other.spent)):
                        best[after.state] = after
            met += best
            promising = []
            for node in best.values():
                if self.yard.is_goal(node.state):
                    if max(node.free) + node.work < self._limit():
                        self.good = node
                elif self._least(node) < self._limit():
                    promising.append(node)
            beam = sorted(
                promising, key=lambda one: self._least(one) + self.bound.work(one.state)
            )[: self.limits.beam]  # fmt: skip


def _no_worse(one: Node, other: Node) -> bool:
    return all(a <= b for a, b in zip(one.spent, other.spent, strict=True))
