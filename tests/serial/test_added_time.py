"""What gateway and queue add to the time of a line, on virtual time: no processor that others want is in it."""

from __future__ import annotations

import pytest

from protocol.wire.packet import Publish
from tests.faulty_lines.faulty_line import bench_of, run_of

MOST_MS = 5.0
ORDERS = (0x82, 0x83)
CASES = ("orders-ask", "orders-answer-time", "orders-rate", "orders-in-order", "hold-obeyed")


def added_ms(rate: int) -> list[float]:
    """How much later than a line that never idles while something waits each order has reached the board; sorted."""
    bench = bench_of("south", rate=rate)
    run_of(bench, "south", CASES).perform()
    ordered = [
        trace.at_ms
        for trace in bench.log.traces
        if isinstance(trace.packet, Publish) and trace.packet.topic.endswith("/job-order")
    ]
    taken, free_ms, added = iter(ordered), 0.0, []
    for seen in bench.serial.log.frames:
        if seen.from_node:
            continue
        if seen.frame is not None and seen.frame.kind in ORDERS:
            soonest_ms = max(next(taken), free_ms) + len(seen.raw) * 10_000 / rate
            added.append(seen.at_ms - soonest_ms)
        free_ms = seen.at_ms
    assert next(taken, None) is None, "an order never reached the board"
    return sorted(added)


@pytest.mark.parametrize("rate", [19_200, 115_200])
def test_gateway_and_queue_add_less_than_5_ms_at_the_95th_percentile(rate: int) -> None:
    added = added_ms(rate)
    assert len(added) >= 30
    assert added[len(added) * 95 // 100] < MOST_MS
