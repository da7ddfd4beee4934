"""The best plan: A* over the states of a yard, with a beam for a good plan where that takes long.

A* (Hart, Nilsson and Raphael, 1968, IEEE Transactions on Systems Science and Cybernetics 4) with an admissible
bound. What a plan costs is when it ends and the work it takes (see `tidy.cost`). A node of the search is dropped
where another with the same state is no later at any node of the yard and took no more work. A search is done
in portions, so that whoever runs it can do other things meanwhile.
"""

from __future__ import annotations

import heapq
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import count

from reference_node.supervisor.plan.search.bound import Bound
from reference_node.supervisor.plan.search.problem import Problem
from reference_node.supervisor.plan.search.tidy import Timed, cost, length, tidied
from reference_node.supervisor.plan.search.yard import State, Yard

FIRST_LOOK = 10_000
"""States looked at before a good plan is searched for, to know what is not worth looking at."""
LOOKS = 200_000
"""States looked at before the search settles for a plan that may not be the best."""
BEAM = 30
NEVER = 1 << 62
LONGEST = 150
"""Tasks in a plan of the beam."""


@dataclass(frozen=True, slots=True)
class Plan:
    """Tasks in an order in which they can be started. No plan costs less than `bound_ms`."""

    tasks: tuple[Timed, ...]
    bound_ms: int
    looks: int
    """States that were looked at."""

    @property
    def ends_ms(self) -> int:
        """When the last goal is met, in ms from the start."""
        return length(self.tasks)

    @property
    def cost_ms(self) -> int:
        """By what plans are compared: when the last goal is met, and the work of all nodes."""
        return cost(self.tasks)

    @property
    def gap(self) -> float:
        """How far the plan may be from the best, as a share of the bound; 0 for one that is proved best."""
        return self.cost_ms / self.bound_ms - 1 if self.cost_ms > self.bound_ms > 0 else 0.0

    def __str__(self) -> str:
        share = f"at most {self.gap:.0%} from the best" if self.gap else "the best there is"
        count = "1 job" if len(self.tasks) == 1 else f"{len(self.tasks)} jobs"
        return f"{count} in about {self.ends_ms / 1000:.0f} s, {share}"


@dataclass(frozen=True, slots=True)
class Track:
    """A node of the search: a state, when each node of the yard is free, the work so far, and how it came there."""

    state: State
    free: tuple[int, ...]
    work: int = 0
    last: Timed | None = None
    before: Track | None = None

    @property
    def cost(self) -> int:
        """What a plan costs that ends here."""
        return max(self.free) + self.work

    @property
    def spent(self) -> tuple[int, ...]:
        """All of which less is better: when each node is free, and the work."""
        return (*self.free, self.work)

    @property
    def tasks(self) -> tuple[Timed, ...]:
        """All tasks up to here, in order."""
        found: list[Timed] = []
        track = self
        while track.last is not None and track.before is not None:
            found.append(track.last)
            track = track.before
        return tuple(reversed(found))


def plan(problem: Problem, looks: int = LOOKS) -> Plan | None:
    """The plan that costs least; None where none was found. Same input, same plan."""
    search = Search(problem, looks)
    while not search.run(LOOKS):
        pass
    return search.plan


class Search:
    """One search; `run` takes it further, `plan` is what it has come to once that has given True."""

    def __init__(self, problem: Problem, looks: int = LOOKS) -> None:
        self.yard = Yard(problem)
        self.plan: Plan | None = None
        self.exhausted = False
        """Whether all there is was looked at: without a plan then, there is none."""
        self._bound = Bound(self.yard)
        self._seen: dict[State, list[tuple[int, ...]]] = {}
        busy = tuple(problem.busy_ms.get(node, 0) for node in self.yard.nodes)
        self._root = Track(self.yard.start(), busy)
        self._good: Track | None = None
        self._beamed = False
        self._looks = 0
        self._work = self._search(looks)

    def run(self, portion: int) -> bool:
        """Look at about `portion` more states; True once the search is over."""
        until = self._looks + portion
        return all(self._looks < until for _ in self._work)

    def _search(self, looks: int) -> Iterator[None]:
        order = count()
        heap = [(self._least(self._root), 0, next(order), self._root)]
        while heap:
            bound, _, _, track = heapq.heappop(heap)
            if bound >= self._limit:
                break
            if self.yard.is_goal(track.state):
                self._settle(track, bound)
                return
            if self._is_stale(track):
                continue
            if self._looks >= FIRST_LOOK and not self._beamed:
                yield from self._beam()
            if self._looks >= looks:
                self._settle(self._good, bound)
                return
            for key, after in self._worth_it(track):
                heapq.heappush(heap, (key, sum(after.free), next(order), after))
            yield
        self.exhausted = True
        self._settle(self._good, self._limit)

    def _worth_it(self, track: Track) -> Iterator[tuple[int, Track]]:
        for after in self.successors(track):
            self._looks += 1
            if self._is_new(after):
                bound = self._least(after)
                if bound < self._limit:
                    yield bound, after

    def _least(self, track: Track) -> int:
        """No plan that begins so costs less."""
        return self._bound.of(track.state, track.free) + track.work + self._bound.work(track.state)

    @property
    def _limit(self) -> int:
        """What the best plan so far costs: what costs no less is not worth looking at."""
        return self._good.cost if self._good is not None else NEVER

    def successors(self, track: Track) -> Iterator[Track]:
        """What may come next, each task started as soon as it can be."""
        near = self.yard.near
        for step in self.yard.steps(track.state):
            start = max(step.not_before, *(track.free[other] for other in near[step.node]))
            end = start + step.cost
            free = (*track.free[: step.node], end, *track.free[step.node + 1 :])
            yield Track(step.after, free, track.work + step.cost, Timed(step.task, start, end), track)

    def _towards_goals(self, track: Track) -> Iterator[Track]:
        """What may come next, boxes that are in nobody's way left alone."""
        matters = {self.yard.labels[label] for label in self._bound.matters(track.state)}
        for after in self.successors(track):
            if after.last is None or not after.last.task.box or after.last.task.box in matters:
                yield after

    def _is_new(self, track: Track) -> bool:
        times = track.spent
        known = self._seen.setdefault(track.state, [])
        if any(all(a <= b for a, b in zip(other, times, strict=True)) for other in known):
            return False
        known[:] = [other for other in known if not all(a <= b for a, b in zip(times, other, strict=True))]
        known.append(times)
        return True

    def _is_stale(self, track: Track) -> bool:
        """Whether something no later was found after this one."""
        known = self._seen.get(track.state)
        return known is not None and track.spent not in known

    def _settle(self, track: Track | None, bound: int) -> None:
        if track is None:
            return
        self.plan = Plan(tidied(self.yard, self._root.free, track.tasks), bound, self._looks)

    # ------------------------------------------------------------ a good plan, soon
    def _beam(self) -> Iterator[None]:
        """The most promising states of each length, the longest first that have least to do."""
        self._beamed = True
        beam, seen = [self._root], {self._root.state}
        for _ in range(LONGEST):
            found: dict[State, Track] = {}
            for track in beam:
                yield
                for after in self._towards_goals(track):
                    self._looks += 1
                    other = found.get(after.state)
                    if after.state not in seen and (other is None or sum(after.spent) < sum(other.spent)):
                        found[after.state] = after
            seen |= found.keys()
            ranked = []
            for number, track in enumerate(found.values()):
                if self.yard.is_goal(track.state):
                    self._good = track if track.cost < self._limit else self._good
                    continue
                bound = self._least(track)
                if bound < self._limit:
                    ranked.append((bound + self._bound.work(track.state), number, track))
            beam = [track for _, _, track in sorted(ranked)[:BEAM]]
            if not beam:
                return
