"""What differs between two recordings in one sequence: missing, extra, changed, late, slower, faster."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterator
from dataclasses import replace
from itertools import pairwise

from conformance.recordings.diff.difference import Difference
from conformance.recordings.diff.events import EventLog, EventSequence, Meaning, Values
from conformance.recordings.diff.matching import Block
from conformance.recordings.diff.scatter import LEAST_MS, LEAST_SCATTER_MS, NOISE, Scatter, took
from conformance.recordings.diff.tolerance import Tolerance
from conformance.recordings.wording import event_in_words

NEAR_US = 2_000_000
"""How near a loss of messages has to be to excuse a missing event."""


class SequenceComparison:
    """One sequence of two recordings, side by side."""

    def __init__(
        self, name: str, good: EventLog, other: EventLog, a: EventSequence, b: EventSequence,
        blocks: list[Block], scatter: Scatter, tolerance: Tolerance,
    ) -> None:  # fmt: skip
        self._name, self._good, self._other = name, good, other
        self._a, self._b, self._blocks = a, b, blocks
        self._scatter, self._tolerance = scatter, tolerance
        self.notes: list[str] = []
        self.not_reached = 0

    def differences(self) -> Iterator[Difference]:
        """All that differs in this sequence; `notes` and `not_reached` are complete once they were all taken."""
        x = y = 0
        for a, b, length in [*self._blocks, (len(self._a), len(self._b), 0)]:
            yield from self._between(x, a, y, b)
            yield from self._within(a, b, length)
            x, y = a + length, b + length

    def _between(self, x: int, x_end: int, y: int, y_end: int) -> Iterator[Difference]:
        """What stands between two blocks: missing on one side, extra on the other, or in another order."""
        extra = {self._b.meanings[index]: index for index in range(y, y_end)}
        moved = {self._a.meanings[index] for index in range(x, x_end)} & set(extra)
        for index in range(x, x_end):
            meaning = self._a.meanings[index]
            if meaning in moved:
                yield self._difference("order", index, extra[meaning], "done at another time than before")
            elif not self._scatter.is_loose(self._name, meaning):
                yield from self._missing(index, y)
        for index in range(y, y_end):
            meaning = self._b.meanings[index]
            if meaning not in moved and not self._scatter.is_loose(self._name, meaning):
                yield self._difference("extra", min(x, len(self._a) - 1), index, "")
        if x == x_end and y < y_end < len(self._b):
            yield from self._late(x_end, y, y_end)

    def _late(self, x: int, y: int, y_end: int) -> Iterator[Difference]:
        """Something came in between, and before it the next event of the good run was due already."""
        if not 0 < x < len(self._a) or not self._is_step(x):
            return
        due = self._due(x, y_end)
        if self._b.at_us[y] - due > LEAST_MS * 1000:
            words = event_in_words(self._name, self._meaning(self._a, x))
            number = self._b.numbers[y]
            detail = f"came only at {self._b.at_us[y_end] / 1e6:.2f} s, after {y_end - y} other things"
            good = self._a.at_us[x], self._a.numbers[x]
            yield Difference("late", self._name, words, detail, due, good[0], number, good[1])

    def _missing(self, index: int, y: int) -> Iterator[Difference]:
        if self._ended_before(index):
            self.not_reached += 1
            return
        due = self._due(index, y)
        if self._lost_near(self._meaning(self._a, index)[0], due):
            words = event_in_words(self._name, self._meaning(self._a, index))
            self.notes.append(f"{words} is missing at {due / 1e6:.1f} s, where messages were lost")
            return
        number = self._b.numbers[y] if y < len(self._b) and self._b.at_us[y] <= due else None
        yield Difference(
            "missing", self._name, event_in_words(self._name, self._meaning(self._a, index)),
            "", due, self._a.at_us[index], number, self._a.numbers[index],
        )  # fmt: skip

    def _lost_near(self, message: str, at_us: int) -> bool:
        """Whether messages of this kind were lost about then, so that one of them may have told it."""
        return any(topic == message and abs(lost_us - at_us) < NEAR_US for lost_us, topic in self._b.gaps)

    def _ended_before(self, index: int) -> bool:
        """Whether the second recording ends before it could happen."""
        due = self._due(index, len(self._b))
        return due > self._other.end_us

    def _due(self, index: int, y: int) -> int:
        """When an event of the good run should have come in the other one: as long after its predecessor."""
        if index == 0 or y == 0 or not len(self._b):
            return self._a.at_us[index] - self._good.began_us + self._other.began_us
        y = min(y, len(self._b))
        before = self._partner(index)
        if before is None:
            return self._b.at_us[y - 1]
        x, partner = before
        return self._b.at_us[partner] + self._a.at_us[index] - self._a.at_us[x]

    def _partner(self, index: int) -> tuple[int, int] | None:
        """The last matched event before `index` of the good run, and its match."""
        place = bisect_left(self._blocks, (index, 0, 0)) - 1
        if place < 0:
            return None
        a, b, length = self._blocks[place]
        x = min(index - 1, a + length - 1)
        return x, b + x - a

    def _within(self, a: int, b: int, length: int) -> Iterator[Difference]:
        """Events of the same meaning: their figures and how long they took."""
        same = self._a.values[a : a + length] == self._b.values[b : b + length]
        for offset in range(length):
            x, y = a + offset, b + offset
            if not same and self._a.values[x] != self._b.values[y]:
                yield from self._changed(x, y)
            if offset:
                yield from self._duration(x, y)

    def _changed(self, x: int, y: int) -> Iterator[Difference]:
        was: Values = self._good.names.values[self._a.values[x]]
        is_ = dict(self._other.names.values[self._b.values[y]])
        for name, value in was:
            now = is_.get(name)
            if name in NOISE or now == value or self._tolerance.covers(self._name, name, value, now):
                continue
            if isinstance(now, int) and self._scatter.figure_fits(self._name, self._a.meanings[x], name, now):
                continue
            yield self._difference("changed", x, y, f"{name} {now} instead of {value}")

    def _duration(self, x: int, y: int) -> Iterator[Difference]:
        usual, lasted = took(self._a, x), took(self._b, y)
        if usual is None or lasted is None or not self._is_step(x):
            return
        if abs(lasted - usual) < LEAST_SCATTER_MS:
            return
        mean, bound = self._scatter.bound_ms(self._name, self._a.meanings[x - 1], self._a.meanings[x], usual)
        off = lasted - mean
        if abs(off) <= bound:
            return
        if any(self._lost_near(self._meaning(self._b, i)[0], self._b.at_us[i]) for i in (y - 1, y)):
            words = event_in_words(self._name, self._meaning(self._b, y))
            self.notes.append(
                f"{words} was heard late or early about {self._b.at_us[y] / 1e6:.1f} s, "
                "where messages were lost"
            )
            return
        part = off / mean if mean else 0.0
        kind = "slower" if off > 0 else "faster"
        detail = f"{lasted / 1000:.2f} s instead of {mean / 1000:.2f} s ({part:+.1%})"
        if self._scatter.runs > 1:
            detail += f"; good runs differ by {bound / 1000:.2f} s at most"
        found = self._difference(kind, x, y, detail, part=part, axis=self._axis(y), step=True)
        # What comes late is wrong from when it was due.
        due = round(self._b.at_us[y - 1] + mean * 1000)
        yield replace(found, at_us=due) if off > 0 else found

    def _is_step(self, x: int) -> bool:
        """Whether the time before this event is the node's own: between two words of one job, not a wait."""
        before, this = self._meaning(self._a, x - 1), self._meaning(self._a, x)
        return not _waits(before) and this[0] != "job-order" and before[0] != "job-order"

    def _axis(self, y: int) -> str | None:
        """Which axis had the longest way in the time before `y`, by the targets said around it."""
        words = [self._targets(index) for index in range(max(0, y - 6), y + 1)]
        known = [word for word in words if word]
        if len(known) < 2:
            return None
        ways = [
            max(abs(later[axis] - earlier[axis]) for earlier, later in pairwise(known))
            for axis in range(min(map(len, known)))
        ]
        longest = max(ways, default=0)
        return self._tolerance.axis(self._name, ways.index(longest) + 1) if longest else None

    def _targets(self, index: int) -> list[int]:
        values = self._other.names.values[self._b.values[index]]
        return [value for name, value in values if name.startswith("target")]

    def _meaning(self, sequence: EventSequence, index: int) -> Meaning:
        return self._good.names.meanings[sequence.meanings[index]]

    def _difference(
        self,
        kind: str,
        x: int,
        y: int,
        detail: str,
        part: float = 0.0,
        axis: str | None = None,
        step: bool = False,
    ) -> Difference:
        words = event_in_words(self._name, self._meaning(self._b, y))
        if step:
            before = event_in_words("", self._meaning(self._b, y - 1))
            words = f"from {before} to {event_in_words('', self._meaning(self._b, y))}"
        good_us = self._a.at_us[x] if len(self._a) else 0
        good_number = self._a.numbers[x] if len(self._a) else None
        at_us, number = self._b.at_us[y], self._b.numbers[y]
        return Difference(kind, self._name, words, detail, at_us, good_us, number, good_number, part, axis)


def _waits(meaning: Meaning) -> bool:
    """Whether after this event a node waits for others, so that the time says nothing of itself."""
    match meaning:
        case ("job-report", "home", *_):
            return True  # How long homing takes depends on where the crane was left standing.
        case ("job-report", *words):
            return any(word in ("done", "failed", "cancelled", "refused") for word in words)
        case ("crane-status", mode, *_):
            return bool(mode != "working")
        case ("train-arrival", state, *_):
            return bool(state not in ("admitting", "armed", "leaving"))
        case ("shuttle-status", state, *_):
            return bool(state != "moving")
    return True
