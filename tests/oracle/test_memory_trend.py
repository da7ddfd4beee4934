"""When free memory sinks for good: the best of each third of 48 fences is lower by 64 bytes and a 256th each time."""

from __future__ import annotations

import pytest

from conformance.oracle.memory_trend import LEAK, SAMPLES, MemoryTrend


def said(*parts: int, count: int = SAMPLES) -> list[str]:
    """What is told of a node that says so much at every fence of a third."""
    trend = MemoryTrend()
    free = [part for part in parts for _ in range(SAMPLES // 3)]
    return [trend.sinks(one) for one in free[:count]]


@pytest.mark.parametrize(
    ("parts", "sinks"),
    [
        ((1000, 935, 870), True),
        ((1000, 936, 870), False),
        ((1000, 935, 871), False),
        ((1000, 900, 1000), False),
        ((800, 900, 700), False),
        ((51_200_000, 51_000_001, 50_700_000), False),
        ((51_200_000, 50_999_999, 50_700_000), True),
        ((2**32 - 1, 2**32 - 4_000, 2**32 - 8_000), False),
    ],
)
def test_two_steps_of_more_than_64_bytes_and_a_256th_are_a_leak(parts: tuple[int, ...], sinks: bool) -> None:
    told = said(*parts)
    assert told[:-1] == [""] * (SAMPLES - 1)
    best = ", ".join(map(str, parts))
    assert told[-1] == (f"free memory sinks: {best} bytes" if sinks else "")
    assert (LEAK, SAMPLES) == (64, 48)


def test_a_heap_that_breathes_is_judged_by_its_best() -> None:
    trend = MemoryTrend()
    told = [trend.sinks(1000 - 100 * (number % 9)) for number in range(3 * SAMPLES)]
    assert set(told) == {""}


def test_silence_and_a_new_boot_begin_nothing_and_anew() -> None:
    trend = MemoryTrend()
    assert trend.sinks(None) == ""
    for number in range(SAMPLES - 1):
        trend.sinks(9000 - 100 * number)
    trend.clear()
    assert [trend.sinks(9000 - 100 * number) for number in range(SAMPLES - 1)] == [""] * (SAMPLES - 1)
    assert trend.sinks(0) != ""
    assert trend.sinks(0) == "", "told once, and followed again"
