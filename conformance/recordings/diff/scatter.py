"""How far good runs differ among themselves, and so what is no difference in another one."""

from __future__ import annotations

from collections.abc import Sequence
from math import sqrt

from conformance.recordings.diff.events import UNKNOWN_UPTIME, EventLog, EventSequence
from conformance.recordings.diff.matching import match
from conformance.recordings.diff.tolerance import Tolerance

LEAST_MS = 40
"""A duration that differs by less is no difference, whoever measures it (timers, main loops)."""
LEAST_PART = 0.02
"""Nor one that differs by less than this part, where one good run is all there is to compare with."""
SCATTERS = 4.0
"""Standard deviations of the good runs beyond which a duration is out of their scatter."""
LEAST_SCATTER_MS = 20
LEAST_PART_OF_GOOD = 0.01
NOISE = frozenset({"boot", "link"})
"""Values that differ between any two runs; within one they tell of a start or a new connection."""

Durations = dict[tuple[str, int, int], list[int]]
"""Sequence, meaning before and meaning: how long it took in each good run, in ms."""


class Scatter:
    """What good runs do not agree on among themselves."""

    def __init__(self, good: Sequence[EventLog], tolerance: Tolerance) -> None:
        self.runs = len(good)
        self._durations: Durations = {}
        self._loose: set[tuple[str, int]] = set()
        """Sequence and meaning of events that some good run does without, or does more often."""
        self._figures: dict[tuple[str, int, str], list[int]] = {}
        self._early: set[tuple[str, int]] = set()
        if self.runs < 2:
            return
        for run in good:
            for name, sequence in run.sequences.items():
                self._learn(name, sequence, run)
        for run in good[1:]:
            for name in {*good[0].sequences, *run.sequences}:
                self._learn_loose(
                    name,
                    good[0].sequences.get(name, EventSequence()),
                    run.sequences.get(name, EventSequence()),
                )

    def _learn(self, name: str, sequence: EventSequence, run: EventLog) -> None:
        for index in range(1, len(sequence)):
            lasted = took(sequence, index)
            if lasted is not None:
                key = (name, sequence.meanings[index - 1], sequence.meanings[index])
                self._durations.setdefault(key, []).append(lasted)
        for index in range(len(sequence)):
            for figure, value in run.names.values[sequence.values[index]]:
                if isinstance(value, int) and figure not in NOISE:
                    self._figures.setdefault((name, sequence.meanings[index], figure), []).append(value)

    def _learn_loose(self, name: str, a: EventSequence, b: EventSequence) -> None:
        for side, sequence in ((0, a), (1, b)):
            matched = bytearray(len(sequence))
            for block in match(a.meanings, b.meanings):
                begin, length = block[side], block[2]
                matched[begin : begin + length] = b"\x01" * length
            for index, ok in enumerate(matched):
                if not ok:
                    self._loose.add((name, sequence.meanings[index]))

    def is_loose(self, sequence: str, meaning: int) -> bool:
        """Whether good runs differ in whether this is done at all."""
        return (sequence, meaning) in self._loose

    def figure_fits(self, sequence: str, meaning: int, figure: str, value: int) -> bool:
        """Whether a figure lies within the good runs' range, and as far again as they differ."""
        known = self._figures.get((sequence, meaning, figure))
        if not known or self.runs < 2:
            return False
        room = max(known) - min(known)
        return min(known) - room <= value <= max(known) + room

    def bound_ms(self, sequence: str, before: int, meaning: int, usual: int) -> tuple[float, float]:
        """The usual duration and how far from it is still usual."""
        known = self._durations.get((sequence, before, meaning), [])
        if len(known) < 2:
            return usual, max(LEAST_MS, LEAST_PART * usual)
        mean = sum(known) / len(known)
        deviation = sqrt(sum((one - mean) ** 2 for one in known) / (len(known) - 1))
        spread = max(abs(one - mean) for one in known)
        return mean, max(SCATTERS * deviation, 1.5 * spread, LEAST_SCATTER_MS, LEAST_PART_OF_GOOD * mean)


def took(sequence: EventSequence, index: int) -> int | None:
    """How long after its predecessor an event came, in ms of the node's own time."""
    before, this = sequence.uptimes[index - 1], sequence.uptimes[index]
    if before == UNKNOWN_UPTIME or this == UNKNOWN_UPTIME or this < before:
        return None
    return this - before
