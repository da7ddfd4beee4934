"""Every state that a node can come to by the letters of a walk, and every way from one to the next."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

from conformance.suite.walk.derivation import Derivation
from conformance.suite.walk.desk import Desk, Outcome
from conformance.suite.walk.letters import Letter

Edge = tuple[Desk, str]
"""A state and the name of a letter."""


@dataclass(frozen=True)
class Machine:
    """The derived machine: a state for each desk, an edge for each letter that can befall it there."""

    derivation: Derivation
    letters: Mapping[str, Letter]
    first: Desk
    edges: Mapping[Desk, Mapping[str, tuple[Outcome, ...]]]

    @property
    def states(self) -> Sequence[Desk]:
        """Every state, in the order in which they are found."""
        return list(self.edges)

    @cached_property
    def transitions(self) -> int:
        """How many edges there are."""
        return sum(len(found) for found in self.edges.values())

    def next(self, desk: Desk, letter: str) -> Desk:
        """Where a letter mostly leads."""
        return self.edges[desk][letter][0].next

    @cached_property
    def reach(self) -> Mapping[Desk, int]:
        """How many states can be come to from each; a letter behind which they are fewer leads to no way back."""
        return {desk: len(self.reached(desk)) for desk in self.edges}

    def leaves(self, desk: Desk, letter: str) -> bool:
        """Whether there is no way back behind that letter: a node has its first job once in a life."""
        return self.reach.get(self.next(desk, letter), 0) < self.reach[desk]

    def without(self, letter: str) -> Machine:
        """The same machine where nobody can bring that letter about."""
        letters = {name: one for name, one in self.letters.items() if name != letter}
        edges = {
            desk: {name: found for name, found in edges.items() if name != letter}
            for desk, edges in self.edges.items()
        }
        return Machine(self.derivation, letters, self.first, edges)

    def reached(self, start: Desk) -> set[Desk]:
        """Every state that can be come to from there."""
        found, todo = {start}, [start]
        while todo:
            for outcomes in self.edges.get(todo.pop(), {}).values():
                if outcomes[0].next not in found:
                    found.add(outcomes[0].next)
                    todo.append(outcomes[0].next)
        return found

    def path(
        self, start: Desk, wanted: Iterable[Desk], avoid: frozenset[Edge] = frozenset()
    ) -> list[str] | None:
        """The shortest sequence of letters from `start` to the nearest state of `wanted`; None where there is none."""
        goal = set(wanted)
        came: dict[Desk, tuple[Desk, str] | None] = {start: None}
        todo = deque([start])
        while todo:
            desk = todo.popleft()
            if desk in goal:
                return _back(came, desk)
            for letter in self.edges.get(desk, ()):
                after = self.next(desk, letter)
                if after not in came and (desk, letter) not in avoid:
                    came[after] = (desk, letter)
                    todo.append(after)
        return None


def _back(came: Mapping[Desk, tuple[Desk, str] | None], desk: Desk) -> list[str]:
    letters: list[str] = []
    at = came[desk]
    while at is not None:
        letters.append(at[1])
        at = came[at[0]]
    return letters[::-1]


def derive(derivation: Derivation, letters: Iterable[Letter], start: Desk | None = None) -> Machine:
    """Everything that can be reached from `start`, by default the state in which a node comes up."""
    known = {letter.name: letter for letter in letters}
    first = derivation.first() if start is None else start
    edges: dict[Desk, dict[str, tuple[Outcome, ...]]] = {}
    todo = deque([first])
    while todo:
        desk = todo.popleft()
        if desk in edges:
            continue
        edges[desk] = {
            name: derivation.outcomes(desk, letter) for name, letter in known.items() if letter.applies(desk)
        }
        todo.extend(outcome.next for outcomes in edges[desk].values() for outcome in outcomes[:1])
    return Machine(derivation, known, first, edges)
