"""Hints are looked for in what a board said, and a wrong board says anything: no message may stop the report."""

from __future__ import annotations

import json
from functools import cache

import cbor2
from hypothesis import given
from hypothesis import strategies as st

from conformance.oracle.link_log import Log, Trace
from conformance.suite.verdict import Broken
from conformance.tester.hints.hints import SITUATIONS, hints, of_breach
from conformance.tester.hints.scene import Scene
from protocol.wire.packet import Publish
from tests.faulty_nodes.faulty import run_of

CASES = {
    "siding": (
        "berth-arrival",
        "berth-departs",
        "claim-keeps-job",
        "hold-keeps-job",
        "orders-busy",
        "faults-halt",
    ),
    "north": ("crane-homes", "crane-load-unsure", "crane-jogs", "hold-keeps-time-out", "orders-job"),
    "ferry": ("shuttle-runs", "shuttle-stop-missed", "orders-repeat"),
}
ODD = st.sampled_from(
    [None, -1, 0, 1, 70_000, 2**40, "failed", "done", "strange", "", True, [], {}, [1], ["strange"], {"a": 1}]
)
EXPECTED = ("'done'", "mark 4", "faults 1", "no motor", "3 ignored pulses", "digest of the site file")
SEEN = (
    "failed",
    "state 'failed', id 3",
    "mark 5",
    "faults 2",
    "none",
    "3",
    "refused",
    "a motor was switched on",
)


@cache
def passed(node: str) -> tuple[Trace, ...]:
    """What passes in a few cases over the reference node, which is in order."""
    run = run_of(node, only=CASES[node])
    run.perform()
    return tuple(run.fixture.log.traces)


def altered(trace: Trace, field: int, value: object, *, removed: bool) -> Publish:
    """The packet of a trace with one field of its message removed or given another value."""
    packet = trace.packet
    assert isinstance(packet, Publish)
    text = packet.payload.startswith(b"{")
    body = dict(json.loads(packet.payload) if text else cbor2.loads(packet.payload))
    name = sorted(body)[field % len(body)]
    if removed:
        del body[name]
    else:
        body[name] = value
    payload = json.dumps(body).encode() if text else cbor2.dumps(body, canonical=True)
    return Publish(**{part: getattr(packet, part) for part in packet.__slots__} | {"payload": payload})


@given(st.data())
def test_no_message_stops_the_search_for_a_hint(data: st.DataObject) -> None:
    traces = passed(data.draw(st.sampled_from(sorted(CASES))))
    last = data.draw(st.integers(1, len(traces)))
    told = [place for place in range(last) if isinstance(traces[place].packet, Publish)]
    strange = set(data.draw(st.lists(st.sampled_from(told), max_size=8))) if told else set()
    log = Log()
    for place, trace in enumerate(traces[:last]):
        packet = trace.packet
        if place in strange:
            packet = altered(
                trace, data.draw(st.integers(0, 30)), data.draw(ODD), removed=data.draw(st.booleans())
            )
        log.add(
            connection=trace.connection,
            at_ms=trace.at_ms,
            from_node=trace.from_node,
            size=trace.size,
            packet=packet,
        )
    requirement = data.draw(st.sampled_from(sorted(hints())))
    at = data.draw(st.sampled_from([None, *range(max(1, last - 4), last + 1)]))
    broken = Broken(requirement, data.draw(st.sampled_from(EXPECTED)), data.draw(st.sampled_from(SEEN)), at)
    told_of = of_breach(broken, log)
    assert told_of.seen
    scene = Scene(broken, log)
    for fits in SITUATIONS.values():
        assert fits(scene) in (True, False)
