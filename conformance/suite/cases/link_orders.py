"""Orders on the link: one that was retained, and the acknowledgement of each."""

from __future__ import annotations

from conformance.oracle.link_log import Trace
from conformance.suite.case import case
from conformance.suite.fixture import Fixture
from conformance.suite.occasions import A_JOB
from protocol.wire.packet import Ack, Kind, Publish


@case("LNK-14", after=("claim-raises",))
def link_retained_order(fixture: Fixture) -> None:
    """An order that arrives with the retain flag set is ignored: no report, and nothing changes.

    Sends a claim above the mark, and an ask, with the retain flag set [MQTT-3.3.1-8], straight from the
    tap, so that none is left on the broker; then an ask as a fence.
    """
    before = fixture.ask()
    old_claim = fixture.compose("claim", id=before.mark + 1 + fixture.rng.randrange(1000))
    token = fixture.new_token()
    sent = fixture.log.end
    fixture.bench.deliver_retained(fixture.topic(), fixture.encoded(old_claim))
    fixture.bench.deliver_retained(fixture.topic(), fixture.encoded({"act": "ask", "token": token}))
    after = fixture.unmoved(before, "LNK-14")
    reports = [
        m
        for m in fixture.log.sent("job-report", sent)
        if m.is_report("claim", order=old_claim["id"]) or m.is_report("ask", token=token)
    ]
    fixture.check(
        not reports, "LNK-14", "no report for a retained order", "a report", reports[0] if reports else None
    )
    fixture.check(after.mark == before.mark, "LNK-14", f"mark {before.mark}", after.mark, after.report)


@case("LNK-15", after=("orders-ask",), passive=True, occasions=A_JOB)
def link_acknowledges(fixture: Fixture) -> None:
    """Every order at QoS 1 is acknowledged in time, also while something moves.

    Judged from every PUBLISH to the node and its PUBACK (MQTT 3.1.1 section 4.3.2). Orders that were on the
    way when a connection ended are left out.
    """
    limit = fixture.limit_ms("answer")
    # The order sent last may be on its way: the next packet of the node behind its limit settles it.
    fixture.bench.wait(lambda: not _unsettled(fixture, limit), fixture.limit_ms("state_repeat") + limit)
    open_: dict[tuple[int, int], Trace] = {}
    ended = {trace.connection: trace.at_ms for trace in fixture.log.traces}
    for trace in fixture.log.traces:
        match trace.packet:
            case Publish(packet_id=int(number)) if not trace.from_node:
                open_[trace.connection, number] = trace
            case Ack(kind=Kind.PUBACK, packet_id=number) if trace.from_node:
                order = open_.pop((trace.connection, number), None)
                if order is not None:
                    took = trace.at_ms - order.at_ms
                    fixture.in_time(
                        took <= limit,
                        (order.at_ms, trace.at_ms),
                        "LNK-15",
                        f"PUBACK within {limit:.0f} ms",
                        f"{took:.0f} ms",
                        order,
                    )
    for order in open_.values():
        if ended[order.connection] - order.at_ms > limit:
            span = order.at_ms, order.at_ms + limit
            fixture.in_time(False, span, "LNK-15", f"PUBACK within {limit:.0f} ms", "no PUBACK", order)


def _unsettled(fixture: Fixture, limit_ms: float) -> bool:
    """Whether an order at QoS 1 on the newest connection has neither been acknowledged nor come to its limit."""
    newest = fixture.log.traces[-1] if fixture.log.traces else None
    if newest is None:
        return False
    acknowledged: set[int] = set()
    for trace in reversed(fixture.log.traces):
        if trace.connection != newest.connection or newest.at_ms - trace.at_ms > limit_ms:
            return False
        match trace.packet:
            case Ack(kind=Kind.PUBACK, packet_id=number) if trace.from_node:
                acknowledged.add(number)
            case Publish(packet_id=int(number)) if not trace.from_node and number not in acknowledged:
                return True
    return False
