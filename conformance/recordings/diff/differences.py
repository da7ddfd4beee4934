"""What is different in behaviour between two recordings: missing, extra, changed, other order, slower, faster."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from math import inf

from conformance.recordings.diff.difference import Comparison, Difference
from conformance.recordings.diff.event_log import EventLog, EventSequence
from conformance.recordings.diff.matching import Block, match
from conformance.recordings.diff.meanings import Meaning
from conformance.recordings.diff.scatter import Scatter
from conformance.recordings.diff.sequence_comparison import Pair, SequenceComparison
from conformance.recordings.diff.tolerance import Tolerance
from conformance.recordings.wording import event_in_words


def compare(
    good: Sequence[EventLog], other: EventLog, tolerance: Tolerance, scatter: Scatter | None = None
) -> Comparison:
    """Compare `other` with the first of the good runs; the others tell what differs between good runs anyway.

    `scatter` is what was learned of the good runs, where the caller has it already.
    """
    result = Comparison(good, other)
    reference = good[0]
    scatter = scatter or Scatter(good)
    pairs: dict[str, list[Block]] = {}
    for name in sorted({*reference.sequences, *other.sequences}):
        a, b = reference.sequences.get(name, EventSequence()), other.sequences.get(name, EventSequence())
        blocks = pairs[name] = match(a.meanings, b.meanings)
        result.events += len(a)
        result.matched += sum(length for _, _, length in blocks)
        view = SequenceComparison(Pair(name, reference, other, a, b, blocks), scatter, tolerance)
        result.differences.extend(view.differences())
        result.notes.extend(view.notes)
        result.not_reached += view.not_reached
    result.differences.extend(_orders(reference, other, pairs, scatter.stall_ms))
    result.differences.sort(key=lambda one: (one.at_us, one.number or 0))
    result.notes.extend(_counted(reference, other))
    result.beyond_ms = max((one.beyond_ms for one in result.differences if one.beyond_ms < inf), default=0.0)
    if result.differences:
        result.differences[0] = with_history(result.differences[0], other)
    return result


def _counted(good: EventLog, other: EventLog) -> Iterator[str]:
    """What was left out of the comparison, where it differs."""
    if good.unreadable != other.unreadable:
        for node in sorted({*good.unreadable, *other.unreadable}):
            was, now = good.unreadable[node], other.unreadable[node]
            if was != now:
                told = f"{now:,} messages on topics of {node} cannot be read, {was:,} in the good run"
                yield f"{told}: yardwire validate {other.name}"
    if good.retained != other.retained:
        yield f"{other.retained:,} retained messages were left out, {good.retained:,} in the good run"


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
                of = dict(good.names.values[sequence.values[a + offset]]).get("of", ())
                meaning = (*meaning, *of)
                if meaning[0] == message:
                    yield _Matched(sequence.at_us[a + offset], name, a + offset, b + offset, meaning)


def _orders(
    good: EventLog, other: EventLog, pairs: Mapping[str, list[Block]], stall_ms: float
) -> Iterator[Difference]:
    """Orders that do not come behind the end of a job as they did."""
    all_ends = sorted(_ends(other))
    reports = _matched(good, pairs, "job-report")
    ends = sorted((one for one in reports if one.meaning[2] == "done"), key=lambda one: one.at_us)
    times = [one.at_us for one in ends]
    for order in _matched(good, pairs, "job-order"):
        place = bisect_right(times, order.at_us) - 1
        if place < 0:
            continue
        end = ends[place]
        yield from _idle(good, other, end, order, all_ends, stall_ms)
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


AT_ONCE_US = 300_000
"""An order that comes no later than this behind the end of a job was given because of it."""
LEAST_IDLE_MS = 500


def _ends(log: EventLog) -> Iterator[int]:
    """When jobs were done."""
    for sequence in log.sequences.values():
        for at_us, number in zip(sequence.at_us, sequence.meanings, strict=True):
            meaning = log.names.meanings[number]
            if meaning[0] == "job-report" and meaning[2] == "done":
                yield at_us


def _idle(
    good: EventLog, other: EventLog, end: _Matched, order: _Matched, ends: Sequence[int], stall_ms: float
) -> Iterator[Difference]:
    """An order that came at once when a job had ended, and now comes long behind the last one that did."""
    usual_us = order.at_us - end.at_us
    given = other.sequences[order.sequence]
    ended = other.sequences[end.sequence].at_us[end.y]
    place = bisect_right(ends, given.at_us[order.y]) - 1  # messages read together bear one time
    if end.meaning[1] in ("home", "claim", "reset-fault", "resume"):
        return  # Somebody may be asked first what stands where.
    if usual_us > AT_ONCE_US or ended > given.at_us[order.y] or place < 0:
        return
    idle_ms = (given.at_us[order.y] - ends[place]) / 1000
    allowed_ms = max(LEAST_IDLE_MS, 3 * stall_ms)
    beyond_ms = idle_ms - usual_us / 1000 - allowed_ms
    if beyond_ms > 0:
        words = event_in_words("", order.meaning)
        yield Difference(
            "slower", order.sequence, f"from the end of a job to {words}",
            f"{idle_ms / 1000:.2f} s instead of {usual_us / 1e6:.2f} s", ends[place] + usual_us, order.at_us,
            given.numbers[order.y], good.sequences[order.sequence].numbers[order.x], beyond_ms=beyond_ms,
        )  # fmt: skip


HISTORY = 3


def with_history(first: Difference, other: EventLog) -> Difference:
    """The first divergence with the last events before it: those of its node, and the orders of any."""
    before: list[tuple[int, int, str]] = []
    for name, sequence in other.sequences.items():
        near = [index for index in range(len(sequence)) if sequence.at_us[index] < first.at_us]
        for index in sorted(near, key=sequence.at_us.__getitem__)[-12:]:
            meaning = other.names.meanings[sequence.meanings[index]]
            if name == first.sequence or meaning[0] in ("job-order", "fault"):
                if first.number is not None and sequence.numbers[index] >= first.number:
                    continue
                before.append((sequence.at_us[index], sequence.numbers[index], event_in_words(name, meaning)))
    before.sort()
    told = tuple(f"{at / 1e6:.2f} s, message {number}: {words}" for at, number, words in before[-HISTORY:])
    return replace(first, led_to=told)
