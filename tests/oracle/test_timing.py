"""How often a node says its state, by its own time, and what a test machine that stood still takes from that."""

from __future__ import annotations

from collections import Counter

import pytest

from conformance.oracle.finding import Oracle
from conformance.oracle.link_log import Message, Trace
from conformance.oracle.timing import Timing
from protocol.wire.packet import Publish


def told_of(gap_ms: int, still_ms: float) -> list[str]:
    """Requirements that are told of where a state comes so long after the one before."""
    told: list[str] = []

    def tell(requirement: str, _what: str, _oracle: Oracle, _number: int) -> None:
        told.append(requirement)

    timing = Timing(tell, Counter(), lambda _begin_ms, _end_ms: still_ms)
    for number, at_ms in enumerate((1000, 1000 + gap_ms)):
        body = {"uptime": at_ms, "boot": 7, "seq": number}
        topic = "yw1/harlow-basin/ferry/shuttle-status"
        packet = Publish(topic, b"", 0, True, False, None)
        trace = Trace(number, 1, float(at_ms), True, 60, packet)
        message = Message(trace, topic, b"", 0, True, "shuttle-status", body, None, ())
        timing.said(message, setting=False, told=False, excused=False)
    return told


@pytest.mark.parametrize(
    ("gap_ms", "still_ms", "is_told"),
    [(2000, 0, False), (2130, 0, True), (2130, 60, False), (2130, 20, True), (4000, 300, True)],
)
def test_a_heartbeat_may_be_late_by_as_much_as_the_machine_stood_still(
    gap_ms: int, still_ms: float, is_told: bool
) -> None:
    """A node that is a program on that machine waits too, and its clock goes on."""
    assert told_of(gap_ms, still_ms) == (["MSG-02"] if is_told else [])
