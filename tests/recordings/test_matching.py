"""The matching against an exhaustive longest common subsequence on small cases, and known edits on long ones."""

from __future__ import annotations

from array import array
from functools import cache
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from conformance.recordings.diff import matching
from conformance.recordings.diff.matching import Block, match


def longest(first: list[int], second: list[int]) -> int:
    """Length of a longest common subsequence, by the recursion that defines it: every choice is tried."""

    @cache
    def best(i: int, j: int) -> int:
        if i == len(first) or j == len(second):
            return 0
        skipped = max(best(i + 1, j), best(i, j + 1))
        return max(skipped, 1 + best(i + 1, j + 1)) if first[i] == second[j] else skipped

    return best(0, 0)


def checked(first: list[int], second: list[int]) -> int:
    """The number of events matched, after checking that the blocks are in order and equal."""
    blocks: list[Block] = match(array("i", first), array("i", second))
    x = y = 0
    for a, b, length in blocks:
        assert a >= x
        assert b >= y
        assert length > 0
        assert first[a : a + length] == second[b : b + length]
        x, y = a + length, b + length
    return sum(length for _, _, length in blocks)


few = st.lists(st.integers(0, 3), max_size=14)


@given(few, few)
def test_it_is_a_longest_common_subsequence(first: list[int], second: list[int]) -> None:
    assert checked(first, second) == longest(first, second)


@given(st.lists(st.integers(0, 5), max_size=40), st.lists(st.integers(0, 5), max_size=40))
def test_also_with_more_letters(first: list[int], second: list[int]) -> None:
    assert checked(first, second) == longest(first, second)


@pytest.mark.parametrize("seed", range(20))
def test_single_edits_in_a_long_sequence_are_found_exactly(seed: int) -> None:
    """Edits far apart: nothing can be longer than all that was left alone."""
    rng = Random(seed)
    first = [rng.randrange(200) for _ in range(20_000)]
    second = list(first)
    places = sorted(rng.sample(range(0, 20_000, 250), 30), reverse=True)
    kept = len(first)
    for place in places:
        match rng.randrange(3):
            case 0:
                del second[place]
                kept -= 1
            case 1:
                second.insert(place, 999)
            case _:
                second[place] = 999
                kept -= 1
    assert checked(first, second) == kept


def test_sequences_without_anything_in_common() -> None:
    assert checked([1] * 500, [2] * 400) == 0
    assert checked([], [1, 2]) == 0
    assert checked([1, 2], []) == 0


def test_beyond_the_most_edits_it_still_ends_and_is_a_common_subsequence(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(matching, "MOST_EDITS", 10)
    rng = Random(5)
    first = [rng.randrange(9) for _ in range(300)]
    second = [rng.randrange(9) for _ in range(300)]
    assert checked(first, second) > 0
