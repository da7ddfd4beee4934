"""What is different in behaviour between two recordings: missing, extra, changed, other order, slower, faster."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from math import sqrt

from conformance.recordings.diff.events import UNKNOWN_UPTIME, Deeds, Lane, Meaning, Values
from conformance.recordings.diff.matching import Block, match
from conformance.recordings.diff.tolerance import Tolerance
from conformance.recordings.wording import deed_in_words

LEAST_MS = 40
"""A duration that differs by less is no difference, whoever measures it (timers, main loops)."""
LEAST_PART = 0.02
"""Nor one that differs by less than this part, where one good run is all there is to compare with."""
SCATTERS = 4.0
"""Standard deviations of the good runs beyond which a duration is out of their scatter."""
LEAST_SCATTER_MS = 20
LEAST_PART_OF_GOOD = 0.01
NEAR_US = 2_000_000
"""How near a loss of messages has to be to excuse a missing deed."""
NOISE = frozenset({"boot", "link"})
"""Values that differ between any two runs; within one they tell of a start or a new connection."""


@dataclass(frozen=True, slots=True)
class Difference:
    """One difference. Times in us of each recording; numbers are messages, None where there is none."""

    kind: str
    """missing, extra, changed, order, late, slower or faster."""
    lane: str
    words: str
    detail: str
    at_us: int
    """Where it shows in the second recording, or where it should have."""
    good_us: int
    number: int | None
    good_number: int | None
    part: float = 0.0
    """slower, faster: how much of the good duration."""
    axis: str | None = None
    """The axis that moved farthest meanwhile, if one did: its name, or without a site file its number."""
    led_to: tuple[str, ...] = ()

    def as_json(self) -> dict[str, object]:
        """For programs."""
        return {
            "kind": self.kind, "node": self.lane, "what": self.words, "detail": self.detail,
            "at_s": self.at_us / 1e6, "good_at_s": self.good_us / 1e6, "message": self.number,
            "good_message": self.good_number, "led_to": list(self.led_to),
        }  # fmt: skip


@dataclass(slots=True)
class Comparison:
    """All differences, in the order in which they show, and what they were found in."""

    good: Sequence[Deeds]
    other: Deeds
    differences: list[Difference] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    matched: int = 0
    deeds: int = 0
    """Deeds of the good run."""
    not_reached: int = 0
    """Those of them that were due only after the end of the other recording."""
    cut_off: bool = False
    """Whether one of the files breaks off, so that what stood behind is in nobody's hands."""

    @property
    def complete(self) -> bool:
        """Whether all of the good run was held against the other."""
        return not self.not_reached and not self.cut_off

    @property
    def first(self) -> Difference | None:
        """The first divergence."""
        return self.differences[0] if self.differences else None


Durations = dict[tuple[str, int, int], list[int]]
"""Lane, meaning before and meaning: how long it took in each good run, in ms."""


def compare(good: Sequence[Deeds], other: Deeds, tolerance: Tolerance) -> Comparison:
    """Compare `other` with the first of the good runs; the others tell what differs between good runs anyway."""
    result = Comparison(good, other)
    reference = good[0]
    scatter = _Scatter(good, tolerance)
    pairs: dict[str, list[Block]] = {}
    for name in sorted({*reference.lanes, *other.lanes}):
        a, b = reference.lanes.get(name, Lane()), other.lanes.get(name, Lane())
        blocks = pairs[name] = match(a.meanings, b.meanings)
        result.deeds += len(a)
        result.matched += sum(length for _, _, length in blocks)
        view = _View(name, reference, other, a, b, blocks, scatter, tolerance)
        result.differences.extend(view.differences())
        result.notes.extend(view.notes)
        result.not_reached += view.not_reached
    result.differences.extend(_other_order(reference, other, pairs))
    result.differences.sort(key=lambda one: (one.at_us, one.number or 0))
    if result.differences:
        first = result.differences[0]
        result.differences[0] = _with_history(first, other)
    return result


class _Scatter:
    """What good runs do not agree on among themselves."""

    def __init__(self, good: Sequence[Deeds], tolerance: Tolerance) -> None:
        self.runs = len(good)
        self._durations: Durations = {}
        self._loose: set[tuple[str, int]] = set()
        """Lane and meaning of deeds that some good run does without, or does more often."""
        self._figures: dict[tuple[str, int, str], list[int]] = {}
        self._early: set[tuple[str, int]] = set()
        if self.runs < 2:
            return
        for run in good:
            for name, lane in run.lanes.items():
                self._learn(name, lane, run)
        for run in good[1:]:
            for name in {*good[0].lanes, *run.lanes}:
                self._learn_loose(name, good[0].lanes.get(name, Lane()), run.lanes.get(name, Lane()))

    def _learn(self, name: str, lane: Lane, run: Deeds) -> None:
        for index in range(1, len(lane)):
            took = _took(lane, index)
            if took is not None:
                key = (name, lane.meanings[index - 1], lane.meanings[index])
                self._durations.setdefault(key, []).append(took)
        for index in range(len(lane)):
            for figure, value in run.names.values[lane.values[index]]:
                if isinstance(value, int) and figure not in NOISE:
                    self._figures.setdefault((name, lane.meanings[index], figure), []).append(value)

    def _learn_loose(self, name: str, a: Lane, b: Lane) -> None:
        for side, lane in ((0, a), (1, b)):
            matched = bytearray(len(lane))
            for block in match(a.meanings, b.meanings):
                begin, length = block[side], block[2]
                matched[begin : begin + length] = b"\x01" * length
            for index, ok in enumerate(matched):
                if not ok:
                    self._loose.add((name, lane.meanings[index]))

    def is_loose(self, lane: str, meaning: int) -> bool:
        """Whether good runs differ in whether this is done at all."""
        return (lane, meaning) in self._loose

    def figure_fits(self, lane: str, meaning: int, figure: str, value: int) -> bool:
        """Whether a figure lies within the good runs' range, and as far again as they differ."""
        known = self._figures.get((lane, meaning, figure))
        if not known or self.runs < 2:
            return False
        room = max(known) - min(known)
        return min(known) - room <= value <= max(known) + room

    def bound_ms(self, lane: str, before: int, meaning: int, usual: int) -> tuple[float, float]:
        """The usual duration and how far from it is still usual."""
        known = self._durations.get((lane, before, meaning), [])
        if len(known) < 2:
            return usual, max(LEAST_MS, LEAST_PART * usual)
        mean = sum(known) / len(known)
        deviation = sqrt(sum((one - mean) ** 2 for one in known) / (len(known) - 1))
        spread = max(abs(one - mean) for one in known)
        return mean, max(SCATTERS * deviation, 1.5 * spread, LEAST_SCATTER_MS, LEAST_PART_OF_GOOD * mean)


class _View:
    """One lane of two recordings, side by side."""

    def __init__(
        self, name: str, good: Deeds, other: Deeds, a: Lane, b: Lane, blocks: list[Block], scatter: _Scatter,
        tolerance: Tolerance,
    ) -> None:  # fmt: skip
        self._name, self._good, self._other = name, good, other
        self._a, self._b, self._blocks = a, b, blocks
        self._scatter, self._tolerance = scatter, tolerance
        self.notes: list[str] = []
        self.not_reached = 0

    def differences(self) -> Iterator[Difference]:
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
        """Something came in between, and before it the next deed of the good run was due already."""
        if not 0 < x < len(self._a) or not self._is_step(x):
            return
        due = self._due(x, y_end)
        if self._b.at_us[y] - due > LEAST_MS * 1000:
            words = deed_in_words(self._name, self._meaning(self._a, x))
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
            words = deed_in_words(self._name, self._meaning(self._a, index))
            self.notes.append(f"{words} is missing at {due / 1e6:.1f} s, where messages were lost")
            return
        number = self._b.numbers[y] if y < len(self._b) and self._b.at_us[y] <= due else None
        yield Difference(
            "missing", self._name, deed_in_words(self._name, self._meaning(self._a, index)),
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
        """When a deed of the good run should have come in the other one: as long after its predecessor."""
        if index == 0 or y == 0 or not len(self._b):
            return self._a.at_us[index] - self._good.began_us + self._other.began_us
        y = min(y, len(self._b))
        before = self._partner(index)
        if before is None:
            return self._b.at_us[y - 1]
        x, partner = before
        return self._b.at_us[partner] + self._a.at_us[index] - self._a.at_us[x]

    def _partner(self, index: int) -> tuple[int, int] | None:
        """The last matched deed before `index` of the good run, and its match."""
        place = bisect_left(self._blocks, (index, 0, 0)) - 1
        if place < 0:
            return None
        a, b, length = self._blocks[place]
        x = min(index - 1, a + length - 1)
        return x, b + x - a

    def _within(self, a: int, b: int, length: int) -> Iterator[Difference]:
        """Deeds of the same meaning: their figures and how long they took."""
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
        usual, took = _took(self._a, x), _took(self._b, y)
        if usual is None or took is None or not self._is_step(x):
            return
        if abs(took - usual) < LEAST_SCATTER_MS:
            return
        mean, bound = self._scatter.bound_ms(self._name, self._a.meanings[x - 1], self._a.meanings[x], usual)
        off = took - mean
        if abs(off) <= bound:
            return
        if any(self._lost_near(self._meaning(self._b, i)[0], self._b.at_us[i]) for i in (y - 1, y)):
            words = deed_in_words(self._name, self._meaning(self._b, y))
            self.notes.append(
                f"{words} was heard late or early about {self._b.at_us[y] / 1e6:.1f} s, "
                "where messages were lost"
            )
            return
        part = off / mean if mean else 0.0
        kind = "slower" if off > 0 else "faster"
        detail = f"{took / 1000:.2f} s instead of {mean / 1000:.2f} s ({part:+.1%})"
        if self._scatter.runs > 1:
            detail += f"; good runs differ by {bound / 1000:.2f} s at most"
        found = self._difference(kind, x, y, detail, part=part, axis=self._axis(y), step=True)
        # What comes late is wrong from when it was due.
        due = round(self._b.at_us[y - 1] + mean * 1000)
        yield replace(found, at_us=due) if off > 0 else found

    def _is_step(self, x: int) -> bool:
        """Whether the time before this deed is the node's own: between two words of one job, not a wait."""
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

    def _meaning(self, lane: Lane, index: int) -> Meaning:
        return self._good.names.meanings[lane.meanings[index]]

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
        words = deed_in_words(self._name, self._meaning(self._b, y))
        if step:
            before = deed_in_words("", self._meaning(self._b, y - 1))
            words = f"from {before} to {deed_in_words('', self._meaning(self._b, y))}"
        good_us = self._a.at_us[x] if len(self._a) else 0
        good_number = self._a.numbers[x] if len(self._a) else None
        at_us, number = self._b.at_us[y], self._b.numbers[y]
        return Difference(kind, self._name, words, detail, at_us, good_us, number, good_number, part, axis)


def _took(lane: Lane, index: int) -> int | None:
    """How long after its predecessor a deed came, in ms of the node's own time."""
    before, this = lane.uptimes[index - 1], lane.uptimes[index]
    if before == UNKNOWN_UPTIME or this == UNKNOWN_UPTIME or this < before:
        return None
    return this - before


def _waits(meaning: Meaning) -> bool:
    """Whether after this deed a node waits for others, so that the time says nothing of itself."""
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


@dataclass(frozen=True, slots=True)
class _Matched:
    """A deed of the good run that has a match: its time, its lane, and where it stands in both."""

    at_us: int
    lane: str
    x: int
    y: int
    meaning: Meaning


def _matched(good: Deeds, pairs: Mapping[str, list[Block]], message: str) -> Iterator[_Matched]:
    for name, blocks in pairs.items():
        lane = good.lanes.get(name, Lane())
        for a, b, length in blocks:
            for offset in range(length):
                meaning = good.names.meanings[lane.meanings[a + offset]]
                if meaning[0] == message and len(meaning) > 2:
                    yield _Matched(lane.at_us[a + offset], name, a + offset, b + offset, meaning)


def _other_order(good: Deeds, other: Deeds, pairs: Mapping[str, list[Block]]) -> Iterator[Difference]:
    """Orders that followed the end of another node's job over the same box or place, and now come before it."""
    reports = _matched(good, pairs, "job-report")
    ends = sorted((one for one in reports if "done" in one.meaning), key=lambda one: one.at_us)
    times = [one.at_us for one in ends]
    for order in _matched(good, pairs, "job-order"):
        place = bisect_left(times, order.at_us) - 1
        if place < 0:
            continue
        end = ends[place]
        words = {order.lane, *(word for word in order.meaning[2:] if isinstance(word, str))}
        shared = words & {end.lane, *end.meaning[2:]}
        given, ended = other.lanes[order.lane], other.lanes[end.lane]
        if end.lane != order.lane and shared and given.at_us[order.y] < ended.at_us[end.y]:
            yield Difference(
                "order",
                order.lane,
                deed_in_words(order.lane, order.meaning),
                f"given before {deed_in_words(end.lane, end.meaning)}, not after it",
                given.at_us[order.y],
                order.at_us,
                given.numbers[order.y],
                good.lanes[order.lane].numbers[order.x],
            )


HISTORY = 3


def _with_history(first: Difference, other: Deeds) -> Difference:
    """The first divergence with the last deeds before it: those of its node, and the orders of any."""
    before: list[tuple[int, int, str]] = []
    for name, lane in other.lanes.items():
        end = bisect_left(lane.at_us, first.at_us)
        for index in range(max(0, end - 12), end):
            meaning = other.names.meanings[lane.meanings[index]]
            if name == first.lane or meaning[0] in ("job-order", "fault"):
                if first.number is not None and lane.numbers[index] >= first.number:
                    continue
                before.append((lane.at_us[index], lane.numbers[index], deed_in_words(name, meaning)))
    before.sort()
    told = tuple(f"{at / 1e6:.2f} s, message {number}: {words}" for at, number, words in before[-HISTORY:])
    return replace(first, led_to=told)
