"""One job at a time: done, repeated, refused beside another, cancelled."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

from conformance.oracle.link_log import Message
from conformance.oracle.wording import in_words
from conformance.suite.case import case
from conformance.suite.cases.orders import late_job
from conformance.suite.exchange import SentOrder
from conformance.suite.fixture import Fixture
from conformance.suite.jobs import complete, is_over, running
from conformance.suite.machine_states import walk
from conformance.suite.occasions import JOBS
from conformance.suite.preamble import end_open_job, fit, settle, some_job, start, while_open
from conformance.suite.unreadable_orders import encodings_read
from conformance.suite.verdict import NoOccasion
from protocol.counting import UPTIME_MODULUS
from protocol.site import Encoding
from protocol.specification import OPEN

LATE_MS = 1500
"""How far ahead the deadline of a job lies that is to be late."""
REPEATED_MS = 100
"""How long a job that was ended is watched for a start by its repeat."""
BURSTS = 8
"""How often a job and a hold are sent at once until the hold comes before the start."""


@case(
    "ORD-15",
    "ORD-16",
    "MSG-10",
    "BEN-03",
    after=("claim-raises", "crane-homes", "berth-found-empty", "shuttle-found"),
    moves=True,
)
def orders_job(fixture: Fixture) -> None:
    """A job is accepted, runs and is done, and state messages say so.

    Gives the node a job that it can do (a crane homes, a berth admits, a shuttle runs) and brings it to its
    end. The cases that need a job rest on this one.
    """
    before = fit(fixture)
    sent = start(fixture)
    final = complete(fixture, sent)
    said = f"{final.body['state']} {final.body.get('reason', '')}".strip()
    fixture.check(final.body["state"] == "done", "ORD-16", f"{sent.act!r} done", said, final)
    after = fixture.ask()
    fixture.check(
        after.job == (sent.id, "done"), "MSG-10", f"job {sent.id} done in the state", after.job, after.report
    )
    if before.starts is not None and after.starts is not None:
        more = after.starts > before.starts
        fixture.check(more, "BEN-03", f"'starts' above {before.starts}", after.starts, after.report)


@case("ORD-06", after=("orders-job",), moves=True)
def orders_repeat(fixture: Fixture) -> None:
    """A repeat of the last job is answered with its state and nothing is done again.

    Brings a job to its end and sends the same order again, byte for byte, then under the same id with
    another act and a deadline long past: both are answered 'done' [MQTT-4.3.2-2].
    """
    fit(fixture)
    sent = start(fixture)
    complete(fixture, sent)
    before = fixture.ask()
    again = fixture.send(sent.body)
    _told(fixture, again.before, sent.id, "done")
    other = fixture.send({**sent.body, "deadline": fixture.uptime_in(-1000)})
    _told(fixture, other.before, sent.id, "done")
    changed = fixture.send(another_job(fixture, sent.id))
    _told(fixture, changed.before, sent.id, "done")
    after = fixture.unmoved(before, "ORD-06")
    fixture.check(after.mark == before.mark, "ORD-06", f"mark {before.mark}", after.mark, after.report)


@case("ORD-06", "ORD-12", after=("orders-repeat",), moves=True)
def orders_busy(fixture: Fixture) -> None:
    """A node with an open job refuses another with 'busy', and answers a repeat of the open one with its
    state.

    While a job is open, sends it again, once it runs in each encoding that the node reads, and then another one. The
    open job goes on and ends 'done'. Where the job was over before an order came, as that of a fast machine may be, it
    is tried again.
    """
    others: list[SentOrder] = []

    def beside(job: SentOrder) -> Message:
        repeats_what_is_open(fixture, job, fixture.encoding)
        running(fixture, job)
        repeats_what_is_open(fixture, job, *encodings_read(fixture.node))
        others.append(fixture.send(another_job(fixture, fixture.fresh_id())))
        return fixture.report(others[-1])

    sent, _ = while_open(fixture, beside)
    fixture.refused(others[-1], "busy", "ORD-12", mark=others[-1].id)
    final = complete(fixture, sent)
    fixture.check(
        final.body["state"] == "done", "ORD-12", "the open job ends 'done'", final.body["state"], final
    )


@case("ORD-09", after=("orders-repeat", "orders-late"), moves=True)
def orders_refused_is_no_job(fixture: Fixture) -> None:
    """After a refused order the last job is still known: its repeat is answered 'done', that of the
    refused 'stale'.

    Brings a job to its end, sends one that is late, then a repeat of each.
    """
    fit(fixture)
    sent = start(fixture)
    complete(fixture, sent)
    before = fixture.ask()
    late = fixture.send(late_job(fixture))
    fixture.refused(late, "late", "ORD-10")
    again = fixture.send(sent.body)
    _told(fixture, again.before, sent.id, "done", "ORD-09")
    repeat = fixture.send(late.body)
    fixture.refused(repeat, "stale", "ORD-09")
    fixture.unmoved(before, "ORD-09")


@case("ORD-17", "ORD-06", after=("orders-job",), moves=True)
def orders_cancel_open(fixture: Fixture) -> None:
    """A cancel of a job that has picked nothing ends it 'cancelled', and every repeat of the cancel says
    the same.

    Starts a job, cancels it under a fresh id, and sends the same cancel again, and one more with another
    id: each is answered 'cancelled' under the id of the job. A berth or shuttle that is past return says
    'running' and 'too-late', and 'done' once its job is over by itself. Where that was over before the first cancel
    came, it is tried again. A repeat of what was cancelled is answered 'cancelled' and moves nothing.
    """
    cancels: list[SentOrder] = []

    def cancel(job: SentOrder) -> Message:
        cancels.append(fixture.order("cancel", ref=job.id))
        return _about_job(fixture, cancels[-1], job.id, "ORD-17", "cancel")

    sent, report = while_open(fixture, cancel)
    said = (report.body["state"], report.body.get("reason"))
    if fixture.node.crane:
        fixture.check(said[0] == "cancelled", "ORD-17", "state 'cancelled'", said, report)
    else:
        fits = said[0] == "cancelled" or said == ("running", "too-late")
        fixture.check(fits, "ORD-17", "'cancelled', or 'running' with 'too-late'", said, report)
    for again in (cancels[-1].body, fixture.compose("cancel", ref=sent.id)):
        report = _about_job(fixture, fixture.send(again), sent.id, "ORD-17", "cancel")
        now = (report.body["state"], report.body.get("reason"))
        over = said[0] == "running" and now[0] == "done" and is_over(fixture, sent, report)
        fixture.check(now == said or over, "ORD-17", f"{in_words(said)} again", now, report)
    if said[0] == "running":
        end_open_job(fixture, fixture.ask())
    else:
        after = fixture.ask()
        fixture.check(
            after.job == (sent.id, "cancelled"), "ORD-17", f"job {sent.id} cancelled", after.job, after.report
        )
        repeats_what_ended(fixture, sent, "cancelled")


@case("ORD-22", after=("orders-repeat",), moves=True)
def orders_cancel_own_id(fixture: Fixture) -> None:
    """A cancel that carries the id of the open job as its own is a repeat of that job and ends nothing.

    Starts a job and sends a cancel with the id of the job both as its own and as the one that it names. The
    answer tells that the job is open, and it ends 'done'. The same cancel once more is answered 'done'.
    """
    cancels: list[SentOrder] = []

    def cancel(job: SentOrder) -> Message:
        cancels.append(fixture.order("cancel", id=job.id, ref=job.id))
        return _about_job(fixture, cancels[-1], job.id, "ORD-22", "cancel")

    sent, report = while_open(fixture, cancel)
    said = report.body["state"]
    fixture.check(said in OPEN, "ORD-22", f"a report that job {sent.id} is open", said, report)
    final = complete(fixture, sent)
    said = final.body["state"]
    fixture.check(said == "done", "ORD-22", "the job 'done', as if no cancel had come", said, final)
    _told(fixture, fixture.send(cancels[-1].body).before, sent.id, "done", "ORD-22", "cancel")


@case("ORD-23", "ORD-16", after=("orders-job", "hold-ends", "bench-set-uptime"), moves=True, mode="bench")
def orders_late_start(fixture: Fixture) -> None:
    """A job that waits for its start when its deadline passes ends as 'failed' with 'late' and moves nothing.

    Sends a job and a hold at once, so that the hold comes before the start, and lets the deadline pass; after that it
    resumes. A second time the deadline lies behind the wrap of uptime. A node that has started by the time that a hold
    can come cannot be judged.
    """
    for left_ms in (None, 700):
        if left_ms is not None:
            fixture.answer_to("set-uptime", uptime=UPTIME_MODULUS - left_ms)
        sent = _held_before_start(fixture)
        before = fixture.ask()
        fixture.watch(fixture.stretched(LATE_MS + 500))
        job = (sent.id, "failed")
        after = fixture.ask()
        fixture.check(after.job == job, "ORD-23", f"job {sent.id} failed", after.job, after.report)
        report = next((m for m in fixture.log.since(sent.before) if _ended(m, sent.id)), None)
        told = report.body.get("reason") if report else "no report"
        fixture.check(told == "late", "ORD-23", "a report that it failed, with 'late'", told, report)
        fixture.answer_to("resume", holds=after.role_state["holds"])
        fixture.watch(fixture.stretched(500))
        last = fixture.ask()
        fixture.check(last.job == job, "ORD-23", f"job {sent.id} failed", last.job, last.report)
        starts = f"'starts' {before.starts} as before"
        fixture.check(last.starts == before.starts, "ORD-23", starts, last.starts, last.report)


def _held_before_start(fixture: Fixture) -> SentOrder:
    """A job that is accepted and held before it has started. Raises NoOccasion where no hold comes that soon."""
    for _ in range(BURSTS):
        fit(fixture)
        fixture.fresh_id()
        deadline, until_ms = fixture.uptime_in(fixture.stretched(LATE_MS)), fixture.bench.now_ms + LATE_MS
        sent = fixture.order(**{**some_job(fixture), "deadline": deadline})
        fixture.send({"act": "hold"})
        answer = fixture.ask()
        early = answer.job == (sent.id, "failed") and fixture.bench.now_ms < until_ms
        fixture.check(not early, "ORD-23", "no end before the deadline", answer.job, answer.report)
        if answer.job == (sent.id, "accepted") and answer.role_state.get("held"):
            return sent
        settle(fixture)
    raise NoOccasion("it starts a job before a hold that is sent right behind it can come")


def _ended(message: Message, job: int) -> bool:
    return message.is_report(str(message.body.get("act")), order=job) and message.body["state"] == "failed"


@case("ORD-17", after=("orders-job",), moves=True)
def orders_cancel_done(fixture: Fixture) -> None:
    """A cancel of a job that is done changes nothing and is answered 'done' under the job's id.

    Brings a job to its end and cancels it.
    """
    fit(fixture)
    sent = start(fixture)
    complete(fixture, sent)
    before = fixture.ask()
    cancel = fixture.order("cancel", ref=sent.id)
    _told(fixture, cancel.before, sent.id, "done", "ORD-17", "cancel")
    fixture.unmoved(before, "ORD-17")


@case("ORD-15", "ORD-16", after=("orders-ask",), passive=True, occasions=JOBS)
def orders_job_states(fixture: Fixture) -> None:
    """A job goes through accepted, running and one final state, and never leaves it.

    Judged from every report and every state message of the run, by the table of job states.
    """
    table = fixture.asked.tables["job"]

    def allows(before: str, state: str) -> bool:
        return table.allows(before, state) or (before, state) == ("accepted", "done")

    begun = _begun(fixture)
    seen = walk(
        fixture,
        allows,
        "ORD-15",
        "state",
        _job_states(fixture),
        lambda job: table.initial if job in begun else None,
    )
    fixture.occasion(seen, "the node had no job")


def _begun(fixture: Fixture) -> set[tuple[int, int]]:
    """Boot and id of the jobs whose order was seen; of one from before nobody knows how it began (MSG-10)."""
    orders = (one.body for one in fixture.log.messages if not one.from_node and one.name == "job-order")
    return {(body["boot"], body["id"]) for body in orders if "id" in body and "boot" in body}


def _job_states(fixture: Fixture) -> Iterator[tuple[tuple[int, int], str, Message]]:
    """Boot and id of a job with each state that a report or a state message tells of it."""
    for message in fixture.log.sent():
        body = message.body
        if message.name != "job-report":
            job, state = body.get("job"), body.get("job_state")
        elif body.get("act") in fixture.spec.jobs and body.get("state") != "refused":
            job, state = body.get("id"), body.get("state")
        else:
            continue
        if job is not None and state is not None:
            yield (body["boot"], job), state, message


def repeats_what_ended(fixture: Fixture, sent: SentOrder, state: str) -> None:
    """Demand that a repeat of the last job, which ended in `state`, is answered with that and does nothing again."""
    before = fixture.ask()
    _told(fixture, fixture.send({**sent.body, "deadline": fixture.uptime_in(10_000)}).before, sent.id, state)
    fixture.watch(fixture.stretched(REPEATED_MS))
    fixture.unmoved(before, "ORD-06")


def repeats_what_is_open(fixture: Fixture, job: SentOrder, *encodings: Encoding) -> None:
    """Demand that a repeat of the open job, in each of these encodings, is answered with the state that it is in.

    Judged behind a fence: a report of the job's own may come before the answer.
    """
    for encoding in encodings:
        before = fixture.send_raw(fixture.encoded(job.body, encoding))
        fixture.ask()
        told = list(filter(_about(job.id), fixture.log.sent("job-report", before)))
        expected = f"the state of the open job (its repeat in {encoding})"
        fixture.check(bool(told), "ORD-06", expected, "no report")
        for report in told:
            fits = report.body["state"] in OPEN or is_over(fixture, job, report)
            fixture.check(fits, "ORD-06", expected, report.body["state"], report)


def another_job(fixture: Fixture, id_: int) -> dict[str, Any]:
    """A job of the node's own role that is not `some_job`, in time."""
    node = fixture.node
    if node.crane:
        return fixture.compose("park", id=id_)
    if node.berth:
        return fixture.compose("depart", id=id_)
    assert node.shuttle is not None
    return fixture.compose("run", id=id_, to=node.shuttle.stops[0])


def _about(job: int, act: str = "") -> Callable[[Message], bool]:
    """Whether a message is a report under the id of a job, for one act or any."""
    return lambda m: (
        m.from_node and m.name == "job-report" and m.body.get("id") == job and act in ("", m.body.get("act"))
    )


def _about_job(fixture: Fixture, sent: SentOrder, job: int, requirement: str, act: str = "") -> Message:
    """The next report under the id of a job after `sent`. Raises Broken where none comes."""
    report = fixture.wait_for(_about(job, act), fixture.patience_ms, sent.before)
    fixture.check(report is not None, requirement, f"a report for the {sent.act} under id {job}", "none")
    assert report is not None
    return report


def _told(
    fixture: Fixture, before: int, job: int, state: str, requirement: str = "ORD-06", act: str = ""
) -> None:
    """Demand that the next report after trace `before` tells the state of a job."""
    report = fixture.wait_for(_about(job, act), fixture.patience_ms, before)
    said = report.body["state"] if report else "no report"
    fixture.check(said == state, requirement, f"a report that job {job} is {state!r}", said, report)
