"""What a node knows survives the loss of its connection, for its boot does."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from conformance.oracle.link_log import Message
from conformance.oracle.wording import in_words
from conformance.suite.case import case
from conformance.suite.cases.orders_job import repeats_what_is_open
from conformance.suite.exchange import Answer
from conformance.suite.fixture import Fixture
from conformance.suite.jobs import complete, is_over
from conformance.suite.preamble import fault_count, fit, start
from conformance.suite.unreadable_orders import encodings_read

CUTS = 2
KEPT = ("held", "holds", "job", "job_state", "arrival", "stop", "place", "load")
"""Fields of the state of a role that nothing but orders, sensors and machines change."""


@case(
    "ORD-08", "HLD-03", "MSG-10", "FLT-05", "LNK-09", "MSG-01", "ORD-06",
    after=("link-comes-back", "hold-keeps-job"), moves=True,
)  # fmt: skip
def link_keeps_state(fixture: Fixture) -> None:
    """A node that has a job, a hold and counts above zero has them still on its next connections, and moves nothing.

    Raises a fault by an order that cannot be read, starts a job and holds the node twice. Cuts the connection, and once
    it is back cuts it again: mark, hold, holds, job, counts of faults, arrivals and stops are as before each time.
    After a resume it is held once more: its state says so without being asked. After another the job is done, and that
    its state says by itself too.
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
    repeats_what_is_open(fixture, sent, *encodings_read(fixture.node))
    fixture.answer_to("resume", holds=before.role_state["holds"])
    fixture.ask()
    _says_that_it_holds(fixture)
    fixture.answer_to("resume", holds=fixture.ask().role_state["holds"])
    final = complete(fixture, sent)
    fixture.equal(final.body["state"], "done", "MSG-10", "the job 'done' after the resume", final)
    _says_by_itself(fixture, sent.before, final, {"job": sent.id, "job_state": "done"})
    fixture.ask()
    _says_that_it_holds(fixture)


def _says_that_it_holds(fixture: Fixture) -> None:
    """Hold the node, and demand that its state says so by itself."""
    hold = fixture.send({"act": "hold"})
    came = fixture.wait_for(
        lambda m: not m.from_node and m.body.get("act") == "hold", fixture.patience_ms, hold.before
    )
    fixture.need(came is not None, "the hold did not reach the node")
    assert came is not None
    _says_by_itself(fixture, hold.before, came, {"held": True})


def _says_by_itself(fixture: Fixture, since: int, behind: Message, fields: Mapping[str, Any]) -> None:
    """Demand a state of a role with these fields, with no ask before it, in time for a message [MSG-01].

    It may come before a report that says the same.
    """
    told = fixture.wait_for(
        lambda m: m.from_node and m.name != "job-report" and fields.items() <= m.body.items(),
        fixture.patience_ms,
        since,
    )
    limit = fixture.limit_ms("answer")
    expected = f"a state that says {in_words(fields)} by itself within {limit:.0f} ms"
    fixture.check(told is not None, "MSG-01", expected, "none", told)
    assert told is not None
    span = behind.at_ms, max(behind.at_ms, told.at_ms)
    took = told.at_ms - behind.at_ms
    fits = took <= limit + fixture.bench.line_ms(*span)
    fixture.in_time(fits, span, "MSG-01", expected, f"after {took:.0f} ms", told)


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
        expected = f"{field} {in_words(was.get(field))} as before the cut"
        fixture.check(now.get(field) == was.get(field), requirement, expected, now.get(field), after.report)
