"""Two words of one node on two topics, said in the other order within a moment: which came first is chance."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from conformance.recordings.diff.event_log import EventSequence, Names
from conformance.recordings.diff.matching import Block

LONGEST = 2
"""Matched words that another one may have changed places with."""


def swapped(
    a: EventSequence, b: EventSequence, blocks: Sequence[Block], names: Names, near_us: float
) -> tuple[frozenset[int], frozenset[int]]:
    """Indices of what has no match only because of that: in the first sequence, and in the second.

    An order is never among them, nor a word on the topic of one that it changed places with.
    """
    one: set[int] = set()
    other: set[int] = set()
    edges = [(0, 0, 0), *blocks, (len(a), len(b), 0)]
    for place in range(1, len(edges) - 1):
        x, y, length = edges[place]
        if length > LONGEST:
            continue
        before_a, before_b, before = edges[place - 1]
        next_a, next_b, _ = edges[place + 1]
        topics = {names.meanings[a.meanings[x + offset]][0] for offset in range(length)}
        gaps = (
            (range(before_a + before, x), range(y + length, next_b)),
            (range(x + length, next_a), range(before_b + before, y)),
        )
        for in_a, in_b in gaps:
            for i, j in _same(a, b, in_a, in_b):
                topic = names.meanings[a.meanings[i]][0]
                near = all(
                    abs(sequence.at_us[index] - sequence.at_us[edge]) <= near_us
                    for sequence, index, edges_of in (
                        (a, i, (x, x + length - 1)),
                        (b, j, (y, y + length - 1)),
                    )
                    for edge in edges_of
                )
                if topic != "job-order" and topic not in topics and near and i not in one and j not in other:
                    one.add(i)
                    other.add(j)
    return frozenset(one), frozenset(other)


def _same(a: EventSequence, b: EventSequence, in_a: range, in_b: range) -> Iterator[tuple[int, int]]:
    """Unmatched events of the two that mean the same, and have the same figures."""
    for i in in_a:
        for j in in_b:
            if a.meanings[i] == b.meanings[j] and a.values[i] == b.values[j]:
                yield i, j
