"""How far good runs differ among themselves, and so what is no difference in another one."""

from __future__ import annotations

from array import array
from collections import Counter
from collections.abc import Iterable, Sequence
from math import ceil, inf, sqrt

from conformance.recordings.diff.event_log import EventLog, EventSequence, Names
from conformance.recordings.diff.matching import match
from conformance.recordings.diff.meanings import UNKNOWN_UPTIME, UNPHASED, Values, is_step

LEAST_MS = 40
"""A duration that differs by less is no difference, whoever measures it (timers, main loops)."""
LEAST_PART = 0.02
"""Nor one that differs by less than this part, where one good run is all there is to compare with."""
LEAST_ANSWER_MS = 150
"""An answer passes through networks."""
SCATTERS = 4.0
"""Standard deviations of the good runs beyond which a duration is out of their scatter."""
LEAST_SCATTER_MS = 20
LEAST_PART_OF_GOOD = 0.01
NOISE = frozenset({"boot", "link", "of"})
"""Values that differ between any two runs, or tell what stands elsewhere."""
TRUSTED_PART = 0.0
"""Of good runs that a person marked none is left out of account."""
ASSUMED_PART = 0.1
"""Of runs that are only taken for good, one in ten may not be."""
AT_ONCE_MS = 100
"""What usually takes no longer than this waits for nothing but the machines that say it."""

Key = tuple[str, int, int, int]
"""Sequence, phase, meaning before and meaning; with `ANSWER` in place of the meaning before."""
Event = tuple[str, int, int]
"""Sequence, phase and meaning. The phase is the order before it that began a job."""
ANSWER = -1


class Scatter:
    """What good runs do not agree on among themselves."""

    def __init__(self, good: Sequence[EventLog], doubtful: float = TRUSTED_PART) -> None:
        """The first of them is the reference; `doubtful` is the part of them that may be no good runs."""
        self.runs = len(good)
        self._doubtful = doubtful
        self._lasted: dict[Key, list[int]] = {}
        """How long it took in each good run, in ms."""
        self._bounds: dict[Key, tuple[float, float]] = {}
        self._unmatched: Counter[Event] = Counter()
        """Sequence, phase and meaning of an event to how many good runs do without it, or do it more often."""
        self._figures: dict[tuple[str, int, int, str], list[int]] = {}
        self.stall_ms = 0.0
        """How late good runs were, at their worst, where nothing moves."""
        if self.runs < 2:
            return
        reference = good[0]
        for run in good:
            self._learn(run)
            if run is not reference:
                for name in {*reference.sequences, *run.sequences}:
                    self._learn_unmatched(
                        name,
                        reference.sequences.get(name, EventSequence()),
                        run.sequences.get(name, EventSequence()),
                        run,
                    )
        self.stall_ms = self._stalls(reference.names)

    def _learn(self, run: EventLog) -> None:
        for name, sequence in run.sequences.items():
            before = -1
            for index, (phase, meaning) in enumerate(
                zip(phases(sequence, run), sequence.meanings, strict=True)
            ):
                lasted = took(sequence, index) if index else None
                if lasted is not None:
                    self._lasted.setdefault((name, phase, before, meaning), []).append(lasted)
                if sequence.answers[index] >= 0:
                    self._lasted.setdefault((name, phase, ANSWER, meaning), []).append(
                        sequence.answers[index]
                    )
                if sequence.values[index]:
                    self._learn_figures((name, phase, meaning), run.names.values[sequence.values[index]])
                before = meaning

    def _learn_figures(self, event: Event, values: Values) -> None:
        for figure, value in values:
            if isinstance(value, int) and figure not in NOISE:
                self._figures.setdefault((*event, figure), []).append(value)

    def _learn_unmatched(self, name: str, a: EventSequence, b: EventSequence, run: EventLog) -> None:
        found = set()
        blocks = match(a.meanings, b.meanings)
        for side, sequence in ((0, a), (1, b)):
            matched = bytearray(len(sequence))
            for block in blocks:
                begin, length = block[side], block[2]
                matched[begin : begin + length] = b"\x01" * length
            if all(matched):
                continue
            in_phase = phases(sequence, run)
            found |= {
                (name, in_phase[index], sequence.meanings[index])
                for index, ok in enumerate(matched)
                if not ok
            }
        self._unmatched.update(found)

    def _stalls(self, names: Names) -> float:
        """How late a machine that stalls made what usually takes no time, at its worst."""
        late = [0.0]
        for (_, _, before, meaning), known in self._lasted.items():
            usual = _median(known)
            step = before == ANSWER or is_step(names.meanings[before], names.meanings[meaning])
            if step and usual <= AT_ONCE_MS and len(known) > 1:
                late += [one - usual for one in known]
        late.sort()
        return late[-1 - int(len(late) * self._doubtful)]

    def is_loose(self, event: Event) -> bool:
        """Whether good runs differ in whether this is done at all, between one order and the next."""
        least = max(1, ceil(self._doubtful * self.runs))
        return self._unmatched[event] >= least

    def figure_off(self, event: Event, figure: str, value: int) -> float:
        """How far a figure is outside of the good runs' range, and as far again as they differ; 0 within."""
        known = self._figures.get((*event, figure))
        if not known or self.runs < 2:
            return inf
        known = sorted(known)
        left_out = int(len(known) * self._doubtful)
        low, high = known[left_out], known[-1 - left_out]
        return max(0, low - (high - low) - value, value - high - (high - low))

    def bound_ms(self, event: Event, before: int, usual: int) -> tuple[float, float]:
        """The usual duration since `before` and how far from it is still usual; `before` is `ANSWER` for that."""
        sequence, phase, meaning = event
        key = (sequence, phase, before, meaning)
        found = self._bounds.get(key)
        if found is None:
            known = self._lasted.get(key, [])
            if len(known) < 2:
                return usual, _least_alone(before, usual)
            found = self._bounds[key] = self._bound(known, before)
        return found

    def _bound(self, known: list[int], before: int) -> tuple[float, float]:
        kept = sorted(known)
        left_out = int(len(kept) * self._doubtful)
        kept = kept[left_out : len(kept) - left_out]
        mean = sum(kept) / len(kept)
        deviation = sqrt(sum((one - mean) ** 2 for one in kept) / max(1, len(kept) - 1))
        spread = max(abs(one - mean) for one in kept)
        least = LEAST_ANSWER_MS if before == ANSWER else LEAST_SCATTER_MS
        bound = max(SCATTERS * deviation, 1.5 * spread, least, LEAST_PART_OF_GOOD * mean)
        return mean, max(bound, 1.5 * self.stall_ms)


def _least_alone(before: int, usual: int) -> float:
    """How far one good run and another one may differ."""
    if before == ANSWER:
        return LEAST_ANSWER_MS
    return max(LEAST_MS, LEAST_PART * usual)


def _median(known: Iterable[int]) -> float:
    ordered = sorted(known)
    middle = len(ordered) // 2
    return ordered[middle] if len(ordered) % 2 else (ordered[middle - 1] + ordered[middle]) / 2


def phases(sequence: EventSequence, run: EventLog) -> array[int]:
    """Of each event the order before it that began a job: the number of its meaning, -1 before the first."""
    found = array("i", [-1]) * len(sequence)
    now = -1
    for index, meaning in enumerate(sequence.meanings):
        if run.names.meanings[meaning][0] == "job-order" and run.names.meanings[meaning][1] not in UNPHASED:
            now = meaning
        found[index] = now
    return found


def took(sequence: EventSequence, index: int) -> int | None:
    """How long after its predecessor an event came, in ms of the node's own time."""
    before, this = sequence.uptimes[index - 1], sequence.uptimes[index]
    if before == UNKNOWN_UPTIME or this == UNKNOWN_UPTIME or this < before:
        return None
    return this - before
