"""What a node knows survives the loss of its connection, for its boot does."""

from __future__ import annotations

from typing import Any

from conformance.suite.case import case
from conformance.suite.exchange import Answer
from conformance.suite.fixture import Fixture
from conformance.suite.jobs import complete, is_over
from conformance.suite.preamble import fault_count, fit, start

CUTS = 2
KEPT = ("held", "holds", "job", "job_state", "arrival", "stop", "place", "load")
"""Fields of the state of a role that nothing but orders, sensors and machines change."""


@case(
    "ORD-08", "HLD-03", "MSG-10", "FLT-05", "LNK-09", after=("link-comes-back", "hold-keeps-job"), moves=True
)
def link_keeps_state(fixture: Fixture) -> None:
    """A node that has a job, a hold and counts above zero has them still on its next connections, and moves nothing.

    Raises a fault by an order that cannot be read, starts a job and holds the node twice. Cuts the connection, and once
    it is back cuts it again: mark, hold, holds, job, counts of faults, arrivals and stops are as before each time.
    After a resume the job is done.
    """
    fixture.send_raw(b'{"act":')
    fit(fixture)
    sent = start(fixture)
    fixture.send({"act": "hold"})
    fixture.send({"act": "hold"})
    before = fixture.ask()
    over = before.job[1] not in ("accepted", "running")
    fixture.occasion(not (over and is_over(fixture, sent, before.report)), "the job was over before the hold")
    for _ in range(CUTS):
        before = _cut(fixture, before)
    fixture.answer_to("resume", holds=before.role_state["holds"])
    final = complete(fixture, sent)
    fixture.equal(final.body["state"], "done", "MSG-10", "the job 'done' after the resume", final)


def _cut(fixture: Fixture, before: Answer) -> Answer:
    """Cut the connection; demand that the node comes back as it was, and give what it says then."""
    cut = fixture.log.end
    fixture.bench.cut()
    most = fixture.limit_ms("reconnect") + fixture.patience_ms
    back = fixture.bench.wait(lambda: fixture.log.connects()[-1][0].number > cut, most)
    fixture.need(back, "the node did not come back")
    link = int(before.body("node-status").get("link", 0))
    after = fixture.ask()
    seen = after.body("node-status").get("link")
    fixture.equal(seen, (link + 1) % 65536, "LNK-09", f"connection count {(link + 1) % 65536}", after.report)
    fixture.equal(after.mark, before.mark, "ORD-08", f"mark {before.mark} as before the cut", after.report)
    _held_still(fixture, before.role_state, after)
    told = fault_count(before)
    fixture.equal(fault_count(after), told, "FLT-05", f"fault count {told} as before the cut", after.report)
    return fixture.unmoved(before, "FLT-05")


def _held_still(fixture: Fixture, was: Any, after: Answer) -> None:
    now = after.role_state
    for field in KEPT:
        requirement = "HLD-03" if field in ("held", "holds") else "MSG-10"
        expected = f"{field} {was.get(field)!r} as before the cut"
        fixture.check(now.get(field) == was.get(field), requirement, expected, now.get(field), after.report)
