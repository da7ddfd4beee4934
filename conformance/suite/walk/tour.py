"""Which letter comes next, so that every transition, or every pair of them, is walked in one life of the node."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from random import Random

from conformance.suite.walk.desk import Desk
from conformance.suite.walk.machine import Edge, Machine

PATIENCE = 4
"""How often a transition is tried whose state has gone before the letter came."""
SURPRISED = 2
"""How often a transition may lead elsewhere before another way is looked for: a crane that is parked does not move."""
LOST = 300
"""After so many letters with nothing new what is left is given up."""
Word = tuple[Desk, str, str]
"""A state, a letter, and for a tour of pairs the letter behind it, else ''."""


class Tour:
    """Goes to the nearest transition that is still to be walked, from wherever the node is."""

    def __init__(self, machine: Machine, k: int, rng: Random) -> None:
        """`k`: 1 for every transition, 2 for every pair of one with the next."""
        if k not in (1, 2):
            raise ValueError(f"a tour is of transitions (1) or pairs of them (2), not {k}")
        self._machine, self._k, self._rng = machine, k, rng
        self.open: dict[Edge | Desk, list[str]] = {}
        """What is still to be walked: behind a state, or behind a transition."""
        self._tries: Counter[Word] = Counter()
        self.missed: list[Word] = []
        """What was given up."""
        self.once = 0
        """How many lead on from where a life comes once: one way of these can be gone, the others not."""
        self.walked = 0
        self._plan: list[tuple[Desk, str]] = []
        self._last: Edge | None = None
        self._surprises: Counter[Edge] = Counter()
        self._one_way: dict[int, frozenset[Edge]] = {}
        self._idle = 0
        """Letters since the last that was new."""
        for desk, edges in machine.edges.items():
            if k == 1:
                self.open[desk] = self._shuffled(edges)
                continue
            for letter in edges:
                self.open[desk, letter] = self._shuffled(machine.edges[machine.next(desk, letter)])

    @property
    def size(self) -> int:
        """How much there is to walk in all."""
        return self.walked + self.once + len(self.missed) + sum(map(len, self.open.values()))

    def next(self, desk: Desk) -> str | None:
        """The letter to play in that state; None where all is walked that can be."""
        while self._idle < LOST:
            letter = self._choose(desk) if desk in self._machine.edges else self._back(desk)
            if letter is None:
                return None
            word = self._word(desk, letter)
            if word is None or self._tries[word] < PATIENCE:
                if word is not None:
                    self._tries[word] += 1
                return letter
            self._give_up(word)
        self._give_up_all(set(self._machine.edges))
        return None

    def played(self, desk: Desk, letter: str, now: Desk) -> None:
        """That letter was played in that state, and the node did as it must; `now` is where it is."""
        word = self._word(desk, letter)
        self._idle += 1
        if word is not None:
            self._strike(word)
            self.walked += 1
            self._idle = 0
        self._last = (desk, letter)
        reach = self._machine.reach
        if now in reach and reach[now] < reach.get(desk, 0):
            self._strike_behind(now)
        # A node may be where the derivation sees no state: its machine is slower or faster than the walk takes it for.
        expected = self._machine.edges.get(desk, {}).get(letter)
        if expected is not None and now == expected[0].next:
            if now != desk:
                self._surprises.clear()
        else:
            self._surprises[desk, letter] += 1
            self._plan = []

    def interrupted(self) -> None:
        """Something else befell the node: what comes next follows on nothing."""
        self._last = None
        self._plan = []
        self._idle += 1

    def drop(self, letter: str, desk: Desk) -> None:
        """The letter means nothing to this node, which is in that state: nothing that it leads to is to be walked."""
        self._machine = self._machine.without(letter)
        reached = self._machine.reached(desk)
        for key in list(self.open):
            if self._state(key) not in reached or (isinstance(key, tuple) and key[1] == letter):
                del self.open[key]
            else:
                self.open[key] = [one for one in self.open[key] if one != letter]
        self._plan, self._one_way = [], {}

    # ---- choosing

    def _shuffled(self, letters: Iterable[str]) -> list[str]:
        names = sorted(letters)
        self._rng.shuffle(names)
        return names

    def _choose(self, desk: Desk) -> str | None:
        here = self.open.get(desk) if self._k == 1 else self._behind_last(desk)
        staying = [letter for letter in here or () if not self._machine.leaves(desk, letter)]
        if staying:
            self._plan = []
            return staying[-1]
        if not self._plan or self._plan[0][0] != desk:
            self._plan = self._way(desk)
        return self._plan.pop(0)[1] if self._plan else self._leave(desk)

    def _back(self, desk: Desk) -> str | None:
        """A letter that ends what keeps the node where the derivation sees no state: a machine that is slow, mostly."""
        self._plan = []
        way = "resume" if desk.held else "finish" if desk.open else "reset-fault"
        return way if way in self._machine.letters else None

    def _leave(self, desk: Desk) -> str | None:
        """All is walked that can be walked before a way of no return: go it, and strike what lies behind."""
        left = self._machine.reach.get(desk, 0)
        if not any(self._open_at(key) for key in self.open if self._machine.reach[self._state(key)] <= left):
            return None
        ways = [
            (at, letter)
            for at, edges in self._machine.edges.items()
            for letter in edges
            if self._machine.reach[at] == left and self._machine.leaves(at, letter)
        ]
        self._rng.shuffle(ways)
        # The way behind which the most is left.
        ways.sort(key=lambda way: -self._machine.reach.get(self._machine.next(*way), 0))
        for at, letter in ways:
            letters = self._machine.path(desk, [at], self._no_return(desk))
            if letters is not None:
                self._plan = [*self._along(desk, letters), (at, letter)]
                return self._plan.pop(0)[1]
        return None

    def _comes_back(self, key: Edge | Desk, left: list[str]) -> bool:
        """Whether something of what is left there can be walked and the node be back."""
        leaves = self._machine.leaves
        if not isinstance(key, tuple):
            return any(not leaves(key, letter) for letter in left)
        after = self._machine.next(*key)
        return not leaves(*key) and any(not leaves(after, letter) for letter in left)

    def _open_at(self, key: Edge | Desk) -> bool:
        return bool(self.open[key])

    @staticmethod
    def _state(key: Edge | Desk) -> Desk:
        return key[0] if isinstance(key, tuple) else key

    def _no_return(self, desk: Desk) -> frozenset[Edge]:
        """Every way that leads out of where the node can come and go."""
        here = self._machine.reach.get(desk, 0)
        if here not in self._one_way:
            self._one_way[here] = frozenset(
                (at, letter)
                for at, edges in self._machine.edges.items()
                if self._machine.reach[at] == here
                for letter in edges
                if self._machine.leaves(at, letter)
            )
        return self._one_way[here]

    def _along(self, desk: Desk, letters: list[str]) -> list[tuple[Desk, str]]:
        way = []
        for letter in letters:
            way.append((desk, letter))
            desk = self._machine.next(desk, letter)
        return way

    def _strike_behind(self, desk: Desk) -> None:
        """What is left where no way leads back to."""
        here = self._machine.reach.get(desk, 0)
        for key, left in self.open.items():
            if left and self._machine.reach[self._state(key)] > here:
                self.once += len(left)
                left.clear()

    def _behind_last(self, desk: Desk) -> list[str] | None:
        if self._last is None or self._last not in self.open:
            return None
        return [
            letter for letter in self.open[self._last] if letter in self._machine.edges.get(desk, ())
        ] or None

    def _way(self, desk: Desk) -> list[tuple[Desk, str]]:
        """The shortest way to what is open; for pairs the first letter of one comes at its end."""
        wanted: dict[Desk, str] = {}
        for key, left in self.open.items():
            state, letter = key if isinstance(key, tuple) else (key, "")
            near = self._machine.reach[state] == self._machine.reach.get(desk, 0)
            if left and near and state not in wanted and self._comes_back(key, left):
                wanted[state] = letter
        if not wanted:
            return []
        surprising = frozenset(edge for edge, times in self._surprises.items() if times >= SURPRISED)
        no_return = self._no_return(desk)
        letters = self._machine.path(desk, wanted, surprising | no_return)
        if letters is None:
            return self._elsewhere(desk, set(wanted), surprising | no_return, no_return)
        way = self._along(desk, letters)
        at = self._machine.next(*way[-1]) if way else desk
        return [*way, (at, wanted[at])] if wanted[at] else way

    def _elsewhere(
        self, desk: Desk, wanted: set[Desk], avoid: frozenset[Edge], no_return: frozenset[Edge]
    ) -> list[tuple[Desk, str]]:
        """Any letter that changes the state, where the ways to what is open led elsewhere; [] where there is no way."""
        if self._machine.path(desk, wanted, no_return) is None:
            self._give_up_all(wanted)
            return []
        leaving = [
            letter
            for letter in self._machine.edges.get(desk, ())
            if self._machine.next(desk, letter) != desk and (desk, letter) not in avoid
        ]
        return [(desk, self._rng.choice(sorted(leaving)))] if leaving else []

    def _word(self, desk: Desk, letter: str) -> Word | None:
        """What is walked by that letter, where it is still open."""
        if self._k == 1:
            return (desk, letter, "") if letter in self.open.get(desk, ()) else None
        if self._last is not None and letter in self.open.get(self._last, ()):
            return (*self._last, letter)
        return None

    def _strike(self, word: Word) -> None:
        key: Edge | Desk = word[0] if self._k == 1 else (word[0], word[1])
        self.open[key].remove(word[1] if self._k == 1 else word[2])

    def _give_up(self, word: Word) -> None:
        self._strike(word)
        self.missed.append(word)

    def _give_up_all(self, states: set[Desk]) -> None:
        for key, left in self.open.items():
            state, first = key if isinstance(key, tuple) else (key, "")
            if state in states:
                self.missed += [(state, first, one) if first else (state, one, "") for one in left]
                left.clear()
