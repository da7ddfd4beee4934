"""What is different in behaviour between two recordings: missing, extra, changed, other order, slower, faster."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from conformance.recordings.diff.difference import Comparison, Difference
from conformance.recordings.diff.events import EventLog, EventSequence, Meaning
from conformance.recordings.diff.matching import Block, match
from conformance.recordings.diff.scatter import Scatter
from conformance.recordings.diff.sequence_comparison import SequenceComparison
from conformance.recordings.diff.tolerance import Tolerance
from conformance.recordings.wording import event_in_words


def compare(good: Sequence[EventLog], other: EventLog, tolerance: Tolerance) -> Comparison:
    """Compare `other` with the first of the good runs; the others tell what differs between good runs anyway."""
    result = Comparison(good, other)
    reference = good[0]
    scatter = Scatter(good, tolerance)
    pairs: dict[str, list[Block]] = {}
    for name in sorted({*reference.sequences, *other.sequences}):
        a, b = reference.sequences.get(name, EventSequence()), other.sequences.get(name, EventSequence())
        blocks = pairs[name] = match(a.meanings, b.meanings)
        result.events += len(a)
        result.matched += sum(length for _, _, length in blocks)
        view = SequenceComparison(name, reference, other, a, b, blocks, scatter, tolerance)
        result.differences.extend(view.differences())
        result.notes.extend(view.notes)
        result.not_reached += view.not_reached
    result.differences.extend(_other_order(reference, other, pairs))
    result.differences.sort(key=lambda one: (one.at_us, one.number or 0))
    if result.differences:
        first = result.differences[0]
        result.differences[0] = _with_history(first, other)
    return result


@dataclass(frozen=True, slots=True)
class _Matched:
    """An event of the good run that has a match: its time, its sequence, and where it stands in both."""

    at_us: int
    sequence: str
    x: int
    y: int
    meaning: Meaning


def _matched(good: EventLog, pairs: Mapping[str, list[Block]], message: str) -> Iterator[_Matched]:
    for name, blocks in pairs.items():
        sequence = good.sequences.get(name, EventSequence())
        for a, b, length in blocks:
            for offset in range(length):
                meaning = good.names.meanings[sequence.meanings[a + offset]]
                if meaning[0] == message and len(meaning) > 2:
                    yield _Matched(sequence.at_us[a + offset], name, a + offset, b + offset, meaning)


def _other_order(good: EventLog, other: EventLog, pairs: Mapping[str, list[Block]]) -> Iterator[Difference]:
    """Orders that followed the end of another node's job over the same box or place, and now come before it."""
    reports = _matched(good, pairs, "job-report")
    ends = sorted((one for one in reports if "done" in one.meaning), key=lambda one: one.at_us)
    times = [one.at_us for one in ends]
    for order in _matched(good, pairs, "job-order"):
        place = bisect_left(times, order.at_us) - 1
        if place < 0:
            continue
        end = ends[place]
        words = {order.sequence, *(word for word in order.meaning[2:] if isinstance(word, str))}
        shared = words & {end.sequence, *end.meaning[2:]}
        given, ended = other.sequences[order.sequence], other.sequences[end.sequence]
        if end.sequence != order.sequence and shared and given.at_us[order.y] < ended.at_us[end.y]:
            yield Difference(
                "order",
                order.sequence,
                event_in_words(order.sequence, order.meaning),
                f"given before {event_in_words(end.sequence, end.meaning)}, not after it",
                given.at_us[order.y],
                order.at_us,
                given.numbers[order.y],
                good.sequences[order.sequence].numbers[order.x],
            )


HISTORY = 3


def _with_history(first: Difference, other: EventLog) -> Difference:
    """The first divergence with the last events before it: those of its node, and the orders of any."""
    before: list[tuple[int, int, str]] = []
    for name, sequence in other.sequences.items():
        end = bisect_left(sequence.at_us, first.at_us)
        for index in range(max(0, end - 12), end):
            meaning = other.names.meanings[sequence.meanings[index]]
            if name == first.sequence or meaning[0] in ("job-order", "fault"):
                if first.number is not None and sequence.numbers[index] >= first.number:
                    continue
                before.append((sequence.at_us[index], sequence.numbers[index], event_in_words(name, meaning)))
    before.sort()
    told = tuple(f"{at / 1e6:.2f} s, message {number}: {words}" for at, number, words in before[-HISTORY:])
    return replace(first, led_to=told)
