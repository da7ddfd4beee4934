"""Explicit-state exploration: every state that can be reached, counted, each edge looked at once.

A model gives its first state and, of any state, the edges out of it. States are hashable and compared by value,
so nothing is taken for the same that is not: there is no hash compaction. Depth is the number of edges of the
shortest way from the first state; it is known only where the search was breadth first.
"""

from __future__ import annotations

from array import array
from collections import deque
from collections.abc import Hashable, Sequence
from dataclasses import dataclass, field
from typing import Generic, Protocol, TypeVar

S = TypeVar("S", bound=Hashable)

Edge = tuple[object, S, bool, str]
"""What is done, the state after it, whether a disturbance was needed for it, what it breaks ('' for nothing)."""


class Model(Protocol[S]):
    """What can be explored."""

    def first(self) -> S:
        """The state in which everything begins."""

    def edges(self, state: S) -> Sequence[tuple[object, S, bool, str]]:
        """Every edge out of `state`."""

    def is_agreed(self, state: S) -> bool:
        """Whether all that was wanted is so, everybody knows it, and nothing is left to be done."""


@dataclass(slots=True)
class Violation:
    """What was found wrong, and the shortest way to it that is known."""

    what: str
    way: list[str]

    def __str__(self) -> str:
        steps = "\n".join(f"  {number:3}. {step}" for number, step in enumerate(self.way, start=1))
        return f"{self.what}\nafter {len(self.way)} steps:\n{steps}"


@dataclass(slots=True)
class Found(Generic[S]):
    """The outcome of one exploration."""

    states: int = 0
    edges: int = 0
    depth: int = 0
    agreed: int = 0
    stuck: int = 0
    """States with no edge out of them that are not agreed."""
    lost: int = 0
    """States from which no undisturbed way leads to an agreed one."""
    complete: bool = False
    violation: Violation | None = None
    stuck_at: list[str] = field(default_factory=list)
    lost_at: list[str] = field(default_factory=list)

    @property
    def is_good(self) -> bool:
        """Whether nothing was found wrong; `complete` says whether all was seen."""
        return self.violation is None and not self.stuck and not self.lost


class Exploration(Generic[S]):
    """One search over one model."""

    def __init__(self, model: Model[S], *, depth_first: bool = False, most: int | None = None) -> None:
        """`most`: so many states are entered and no more."""
        self.model, self._depth_first, self._most = model, depth_first, most
        self.number: dict[S, int] = {}
        self.states: list[S] = []
        self._parent = array("q")
        self._from, self._to = array("q"), array("q")
        self.found: Found[S] = Found()

    def run(self) -> Found[S]:
        """Explore; then see whether from every state an undisturbed way leads to agreement."""
        found = self.found
        first = self.model.first()
        self.number[first] = 0
        self.states.append(first)
        self._parent.append(-1)
        agreed = array("q")
        waiting = deque([0])
        depth_of = array("q", [0])
        take = waiting.pop if self._depth_first else waiting.popleft
        number, states, edges_of = self.number, self.states, self.model.edges
        while waiting:
            here = take()
            state = states[here]
            edges = edges_of(state)
            self._look_at(here, state, edges, agreed)
            for label, after, disturbed, wrong in edges:
                found.edges += 1
                if wrong:
                    found.violation = Violation(wrong, [*self.way_to(here), str(label)])
                    return self._counted(agreed, depth_of)
                there = number.get(after)
                if there is None:
                    if self._most is not None and len(states) >= self._most:
                        return self._counted(agreed, depth_of)
                    there = number[after] = len(states)
                    states.append(after)
                    self._parent.append(here)
                    depth_of.append(depth_of[here] + 1)
                    waiting.append(there)
                if not disturbed:
                    self._from.append(here)
                    self._to.append(there)
        found.complete = True
        self._counted(agreed, depth_of)
        self._look_for_ways(agreed)
        return found

    def _look_at(self, here: int, state: S, edges: Sequence[object], agreed: array[int]) -> None:
        if self.model.is_agreed(state):
            agreed.append(here)
        elif not edges:
            self.found.stuck += 1
            self.found.stuck_at = self.found.stuck_at or self.way_to(here)

    def _counted(self, agreed: array[int], depth_of: array[int]) -> Found[S]:
        self.found.states, self.found.agreed = len(self.states), len(agreed)
        self.found.depth = max(depth_of)
        return self.found

    def _look_for_ways(self, agreed: Sequence[int]) -> None:
        """Backward from the agreed states over undisturbed edges; what is not met has no way on."""
        begin = array("q", bytes(8 * (len(self.states) + 1)))
        for there in self._to:
            begin[there + 1] += 1
        for number in range(len(self.states)):
            begin[number + 1] += begin[number]
        before = array("q", bytes(8 * len(self._to)))
        fill = array("q", begin)
        for here, there in zip(self._from, self._to, strict=True):
            before[fill[there]] = here
            fill[there] += 1
        met = bytearray(len(self.states))
        for goal in agreed:
            met[goal] = 1
        waiting = list(agreed)
        while waiting:
            there = waiting.pop()
            for place in range(begin[there], begin[there + 1]):
                here = before[place]
                if not met[here]:
                    met[here] = 1
                    waiting.append(here)
        self.found.lost = len(met) - sum(met)
        if self.found.lost:
            self.found.lost_at = self.way_to(met.index(0))

    def way_to(self, number: int) -> list[str]:
        """The edges that led to a state, each in words."""
        way: list[str] = []
        while self._parent[number] >= 0:
            before = self._parent[number]
            wanted = self.states[number]
            labels = (
                str(label) for label, after, *_ in self.model.edges(self.states[before]) if after == wanted
            )
            way.append(next(labels))
            number = before
        return way[::-1]
