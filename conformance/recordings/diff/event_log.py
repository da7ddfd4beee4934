"""A recording as events: numbered meanings and figures in arrays, one sequence a node."""

from __future__ import annotations

from array import array
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field

from conformance.recordings.diff.meanings import UNKNOWN_UPTIME, Meaning, Values


class Names:
    """Numbers meanings and values: the same for all recordings that are compared."""

    def __init__(self) -> None:
        self._meanings: dict[Meaning, int] = {}
        self._values: dict[Values, int] = {(): 0}
        self.meanings: list[Meaning] = []
        self.values: list[Values] = [()]

    def meaning(self, meaning: Meaning) -> int:
        """The number of a meaning."""
        number = self._meanings.setdefault(meaning, len(self.meanings))
        if number == len(self.meanings):
            self.meanings.append(meaning)
        return number

    def value(self, values: Values) -> int:
        """The number of values; 0 for none."""
        number = self._values.setdefault(values, len(self.values))
        if number == len(self.values):
            self.values.append(values)
        return number


@dataclass(slots=True)
class EventSequence:
    """The events of one node, orders to it among them; all arrays are of the same length.

    What a topic says first stands at the beginning, whenever it was said: which of them is first is chance.
    """

    meanings: array[int] = field(default_factory=lambda: array("i"))
    values: array[int] = field(default_factory=lambda: array("i"))
    at_us: array[int] = field(default_factory=lambda: array("q"))
    numbers: array[int] = field(default_factory=lambda: array("q"))
    """Which message of the recording, counted from 1."""
    uptimes: array[int] = field(default_factory=lambda: array("q"))
    """In ms, unwrapped; -1 where the node did not say it (orders, silence)."""
    answers: array[int] = field(default_factory=lambda: array("i"))
    """Of an order: ms to its first report, as the recorder heard both; of anything else, or without one, -1."""
    gaps: list[tuple[int, str]] = field(default_factory=list)
    """When messages were found lost, and of which topic."""

    def __len__(self) -> int:
        return len(self.meanings)

    def arrays(self) -> tuple[array[int], ...]:
        """All arrays, in the order of their fields."""
        return (self.meanings, self.values, self.at_us, self.numbers, self.uptimes, self.answers)

    def put_first(self, chosen: Sequence[int]) -> None:
        """Move these events to the beginning, in this order."""
        moved = set(chosen)
        order = [*chosen, *(index for index in range(len(self)) if index not in moved)]
        for numbers in self.arrays():
            numbers[:] = array(numbers.typecode, [numbers[index] for index in order])
        for index in range(len(chosen)):
            self.uptimes[index] = UNKNOWN_UPTIME


@dataclass(slots=True)
class EventLog:
    """A whole recording."""

    name: str
    names: Names
    sequences: dict[str, EventSequence] = field(default_factory=dict)
    messages: int = 0
    end_us: int = 0
    began_us: int = 0
    unreadable: Counter[str] = field(default_factory=Counter)
    """Node to how many messages on its topics cannot be read."""
    retained: int = 0
    """Messages that the broker had kept: said before, so they are left out."""
