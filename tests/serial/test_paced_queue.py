"""What waits for a line leaves no gap on it, for a caller who wakes at whole milliseconds, and little in a driver."""

from __future__ import annotations

import math

import pytest

from protocol.wire.serial.paced_queue import LEAD_MS, PacedQueue

FRAMES = 50


def carried(rate: int, size: int) -> list[tuple[float, float]]:
    """When each of many frames was given to the driver, and when the line has carried it; ms."""
    queue = PacedQueue(rate)
    for _ in range(FRAMES):
        queue.put(bytes(size))
    now_ms, free_ms, found = 1000.25, 0.0, []
    while queue:
        if queue.take(now_ms):
            free_ms = max(now_ms, free_ms) + size * 10_000 / rate
            found.append((now_ms, free_ms))
        elif queue:
            now_ms += max(1, math.ceil(queue.next_ms - now_ms))
    return found


@pytest.mark.parametrize("rate", [19_200, 115_200, 1_000_000])
@pytest.mark.parametrize("size", [12, 14, 90])
def test_frames_follow_each_other_without_a_gap(rate: int, size: int) -> None:
    """Six asks in a row took three times as long as the line does: each waited for the next whole millisecond."""
    ended = carried(rate, size)[-1][1] - 1000.25
    assert ended <= FRAMES * size * 10_000 / rate * 1.02 + 1


@pytest.mark.parametrize("rate", [19_200, 115_200])
def test_no_more_than_that_lead_waits_in_the_driver(rate: int) -> None:
    """Else a hold would wait behind it, and what is dropped with a connection would still go out."""
    found = carried(rate, 40)
    line_ms = 40 * 10_000 / rate
    assert max(free - given - line_ms for given, free in found) <= LEAD_MS
