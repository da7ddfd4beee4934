"""What differs between two recordings in one sequence: missing, extra, changed, late, slower, faster."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import pairwise
from math import inf

from conformance.recordings.diff.difference import Difference
from conformance.recordings.diff.event_log import EventLog, EventSequence
from conformance.recordings.diff.matching import Block
from conformance.recordings.diff.meanings import (
    HOLDS,
    MS_TO_DEADLINE,
    SILENCE,
    Meaning,
    Values,
    is_step,
    is_taking_over,
)
from conformance.recordings.diff.scatter import (
    ANSWER,
    LEAST_MS,
    LEAST_SCATTER_MS,
    NOISE,
    Event,
    Scatter,
    phases,
    took,
)
from conformance.recordings.diff.swapped import swapped
from conformance.recordings.diff.tolerance import Tolerance
from conformance.recordings.wording import event_in_words

NEAR_US = 2_000_000
"""How near a loss of messages has to be to excuse a missing event."""
MADE_UP_MS = 100
"""How late a word may be that says in time what comes behind it: of a machine that stalls, not of one that moves."""
ALIKE = {"job-order": 2, "job-report": 3, "train-arrival": 2, "node-status": 2, "crane-status": 2}
"""How many words two events have in common that are one event with another word; of other messages one."""


@dataclass(frozen=True, slots=True)
class Pair:
    """The same node in two runs, and what belongs together."""

    name: str
    good: EventLog
    other: EventLog
    a: EventSequence
    b: EventSequence
    blocks: list[Block]


class SequenceComparison:
    """One sequence of two recordings, side by side."""

    def __init__(self, pair: Pair, scatter: Scatter, tolerance: Tolerance) -> None:
        self._name, self._good, self._other = pair.name, pair.good, pair.other
        self._a, self._b, self._blocks = pair.a, pair.b, pair.blocks
        self._scatter, self._tolerance = scatter, tolerance
        self._phases_a, self._phases_b = phases(pair.a, pair.good), phases(pair.b, pair.other)
        near_us = 1000 * max(LEAST_MS, 1.5 * scatter.stall_ms)
        self._swapped = swapped(pair.a, pair.b, pair.blocks, pair.good.names, near_us)
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
        """What stands between two blocks: missing on one side, extra on the other, in another order, or changed."""
        here, there = self._swapped
        missing = [i for i in range(x, x_end) if not self._loose(self._phases_a[i], self._a.meanings[i])]
        missing = [i for i in missing if i not in here]
        extra = [i for i in range(y, y_end) if not self._loose(self._phases_b[i], self._b.meanings[i])]
        extra = [i for i in extra if i not in there and not self._flickers(i)]
        at = {self._b.meanings[index]: index for index in extra}
        moved = {self._a.meanings[index] for index in missing} & set(at)
        changed = self._changed_words(
            [i for i in missing if self._a.meanings[i] not in moved],
            [i for i in extra if self._b.meanings[i] not in moved],
        )
        for index in missing:
            meaning = self._a.meanings[index]
            if meaning in moved:
                yield self._difference("order", index, at[meaning], "done at another time than before")
            elif index in changed:
                yield self._other_words(index, changed[index])
            else:
                yield from self._missing(index, y)
        alone = [i for i in extra if self._b.meanings[i] not in moved and i not in set(changed.values())]
        for index in alone:
            yield from self._extra(min(x, len(self._a) - 1), index)
        if alone and x == x_end and y < y_end < len(self._b):
            yield from self._late(x_end, alone[0], y_end)

    def _loose(self, phase: int, meaning: int) -> bool:
        if self._is_taken_over(phase) and is_taking_over(self._good.names.meanings[meaning]):
            return True
        return self._scatter.is_loose((self._name, phase, meaning))

    def _is_taken_over(self, phase: int) -> bool:
        """Whether a supervisor takes the yard over: who is on first is chance, of which two runs tell nothing."""
        return self._scatter.runs > 1 and (phase < 0 or self._good.names.meanings[phase][1] == "home")

    def _event(self, x: int) -> Event:
        """An event of the good run, as the scatter knows it."""
        return (self._name, self._phases_a[x], self._a.meanings[x])

    def _flickers(self, y: int) -> bool:
        """Whether this says again what its topic said before, with figures within their tolerance."""
        message = self._words(self._b, y)[0]
        for before in range(y - 1, -1, -1):
            words = self._words(self._b, before)
            if words[0] == message:
                same = self._b.meanings[before] == self._b.meanings[y] and message not in (
                    "job-order",
                    "job-report",
                )
                return same and not list(self._other_figures(self._b, before, y))
        return False

    def _changed_words(self, missing: list[int], extra: list[int]) -> dict[int, int]:
        """Events of the good run, each with the one in its place that differs in a word."""
        found: dict[int, int] = {}
        left = list(extra)
        for x in missing:
            words = self._words(self._a, x)
            same = ALIKE.get(words[0], 1)
            for y in left:
                others = self._words(self._b, y)
                if others[:same] == words[:same] and len(others) == len(words):
                    found[x] = y
                    left.remove(y)
                    break
        return found

    def _other_words(self, x: int, y: int) -> Difference:
        was, is_ = self._words(self._a, x), self._words(self._b, y)
        pairs = [(a, b) for a, b in zip(was, is_, strict=True) if a != b]
        detail = ", ".join(f"{_said(b)} instead of {_said(a)}" for a, b in pairs)
        return self._difference("changed", x, y, detail)

    def _extra(self, x: int, y: int) -> Iterator[Difference]:
        if self._words(self._b, y)[0] == "job-report" and self._lost_near("job-report", self._b.at_us[y]):
            words = event_in_words(self._name, self._words(self._b, y))
            self.notes.append(f"{words} at {self._b.at_us[y] / 1e6:.1f} s, where messages were lost")
            return
        found = self._difference("extra", x, y, "")
        yield replace(found, beyond_ms=self._silent_ms(y)) if self._words(self._b, y) == SILENCE else found

    def _silent_ms(self, y: int) -> float:
        """How long a node that fell silent stays so, as far as its next event tells; for ever where none comes."""
        spoken = (i for i in range(y + 1, len(self._b)) if self._words(self._b, i)[0] != "job-order")
        after = next(spoken, None)
        return inf if after is None else (self._b.at_us[after] - self._b.at_us[y]) / 1000

    def _late(self, x: int, y: int, y_end: int) -> Iterator[Difference]:
        """Something came in between, and before it the next event of the good run was due already."""
        if not 0 < x < len(self._a) or not self._is_step(x):
            return
        due = self._due(x, y_end)
        if self._b.at_us[y] - due > LEAST_MS * 1000:
            words = event_in_words(self._name, self._words(self._a, x))
            number = self._b.numbers[y]
            detail = f"came only at {self._b.at_us[y_end] / 1e6:.2f} s, after {y_end - y} other things"
            good = self._a.at_us[x], self._a.numbers[x]
            yield Difference("late", self._name, words, detail, due, good[0], number, good[1])

    def _missing(self, index: int, y: int) -> Iterator[Difference]:
        if self._ended_before(index):
            self.not_reached += 1
            return
        due = self._due(index, y)
        words = event_in_words(self._name, self._words(self._a, index))
        if self._lost_near(self._words(self._a, index)[0], due):
            self.notes.append(f"{words} is missing at {due / 1e6:.1f} s, where messages were lost")
            return
        number = self._b.numbers[y] if y < len(self._b) and self._b.at_us[y] <= due else None
        yield Difference(
            "missing", self._name, words, "", due, self._a.at_us[index], number, self._a.numbers[index]
        )

    def _lost_near(self, message: str, at_us: int) -> bool:
        """Whether messages of this kind were lost about then, so that one of them may have told it."""
        return any(topic == message and abs(lost_us - at_us) < NEAR_US for lost_us, topic in self._b.gaps)

    def _ended_before(self, index: int) -> bool:
        """Whether the second recording ends before it could happen."""
        due = self._due(index, len(self._b))
        return due > self._other.end_us - LEAST_MS * 1000  # What comes in one burst may be cut in the middle.

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
            if self._a.answers[x] >= 0 and self._b.answers[y] >= 0:
                yield from self._answered(x, y)
            if offset:
                last = offset == length - 1
                yield from self._duration(x, y, last=last)

    def _changed(self, x: int, y: int) -> Iterator[Difference]:
        was = dict(self._figures(self._a, x))
        now = dict(self._figures(self._b, y))
        for name in [*was, *(name for name in now if name not in was)]:
            one, other = was.get(name), now.get(name)
            if name in NOISE or one == other or self._tolerance.covers(self._name, name, one, other):
                continue
            if name == HOLDS and self._is_taken_over(self._phases_a[x]):
                continue
            off = self._scatter.figure_off(self._event(x), name, other) if isinstance(other, int) else inf
            if off <= 0:
                continue
            found = self._difference("changed", x, y, f"{name} {_said(other)} instead of {_said(one)}")
            # A deadline is a time: how much of it is left depends on when the word before it came.
            yield replace(found, beyond_ms=off) if name == MS_TO_DEADLINE else found

    def _other_figures(self, sequence: EventSequence, one: int, other: int) -> Iterator[str]:
        """Figures of two events of one run that are further apart than their tolerance."""
        was, now = dict(self._figures(sequence, one)), dict(self._figures(sequence, other))
        for name in {*was, *now} - NOISE:
            one_value, other_value = was.get(name), now.get(name)
            if one_value != other_value and not self._tolerance.covers(
                self._name, name, one_value, other_value
            ):
                yield name

    def _answered(self, x: int, y: int) -> Iterator[Difference]:
        """How long the answer to an order took."""
        usual, lasted = self._a.answers[x], self._b.answers[y]
        mean, bound = self._scatter.bound_ms(self._event(x), ANSWER, usual)
        beyond_ms = abs(lasted - mean) - bound
        if beyond_ms > 0:
            words = f"from {event_in_words('', self._words(self._b, y))} to its first report"
            found = self._difference(
                "slower" if lasted > mean else "faster", x, y, self._detail(lasted, mean, bound)
            )
            yield replace(found, words=words, beyond_ms=beyond_ms)

    def _duration(self, x: int, y: int, *, last: bool) -> Iterator[Difference]:
        usual, lasted = took(self._a, x), took(self._b, y)
        if usual is None or lasted is None or not self._is_step(x):
            return
        if abs(lasted - usual) < LEAST_SCATTER_MS:
            return
        mean, bound = self._scatter.bound_ms(self._event(x), self._a.meanings[x - 1], usual)
        off = lasted - mean
        if abs(off) <= bound:
            return
        if any(self._lost_near(self._words(self._b, i)[0], self._b.at_us[i]) for i in (y - 1, y)):
            words = event_in_words(self._name, self._words(self._b, y))
            self.notes.append(
                f"{words} was heard late or early about {self._b.at_us[y] / 1e6:.1f} s, "
                "where messages were lost"
            )
            return
        if abs(off) <= max(MADE_UP_MS, 3 * self._scatter.stall_ms) and self._made_up_for(
            x, y, off, bound, last=last
        ):
            return
        part = off / mean if mean else 0.0
        kind = "slower" if off > 0 else "faster"
        detail = self._detail(lasted, mean, bound)
        found = self._difference(kind, x, y, detail, part=part, axis=self._axis(y), step=True)
        found = replace(found, beyond_ms=abs(off) - bound)
        # What comes late is wrong from when it was due.
        due = round(self._b.at_us[y - 1] + mean * 1000)
        yield replace(found, at_us=due) if off > 0 else found

    def _made_up_for(self, x: int, y: int, off: float, bound: float, *, last: bool) -> bool:
        """Whether the steps beside it are as much shorter: then the word came late, and not what it tells."""
        beside = [(x - 1, y - 1)] if last else [(x - 1, y - 1), (x + 1, y + 1)]
        for i, j in beside:
            if i < 1 or j < 1 or self._a.meanings[i - 1] != self._b.meanings[j - 1]:
                continue
            usual, lasted = took(self._a, i), took(self._b, j)
            if usual is None or lasted is None:
                continue
            mean, _ = self._scatter.bound_ms(self._event(i), self._a.meanings[i - 1], usual)
            other = lasted - mean
            if other * off < 0 and abs(other + off) <= bound:
                return True
        return False

    def _detail(self, lasted: int, mean: float, bound: float) -> str:
        part = f" ({(lasted - mean) / mean:+.1%})" if mean >= 1 else ""
        detail = f"{lasted / 1000:.2f} s instead of {mean / 1000:.2f} s{part}"
        if self._scatter.runs > 1:
            detail += f"; good runs differ by {bound / 1000:.2f} s at most"
        return detail

    def _is_step(self, x: int) -> bool:
        """Whether the time before this event is the node's own: between two words of one job, not a wait."""
        return is_step(self._words(self._a, x - 1), self._words(self._a, x))

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
        return [value for name, value in self._figures(self._b, index) if name.startswith("target")]

    def _figures(self, sequence: EventSequence, index: int) -> Values:
        return self._good.names.values[sequence.values[index]]

    def _words(self, sequence: EventSequence, index: int) -> Meaning:
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
        words = event_in_words(self._name, self._words(self._b, y))
        if step:
            before = event_in_words("", self._words(self._b, y - 1))
            words = f"from {before} to {event_in_words('', self._words(self._b, y))}"
        good_us = self._a.at_us[x] if len(self._a) else 0
        good_number = self._a.numbers[x] if len(self._a) else None
        at_us, number = self._b.at_us[y], self._b.numbers[y]
        return Difference(kind, self._name, words, detail, at_us, good_us, number, good_number, part, axis)


def _said(word: object) -> str:
    """A word of an event, or that there is none."""
    return (
        "nothing"
        if word in (None, "", ())
        else " ".join(map(str, word))
        if isinstance(word, tuple)
        else str(word)
    )
