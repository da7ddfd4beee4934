"""Hold and resume: an operational stop, never an emergency stop."""

from __future__ import annotations

from conformance.oracle.link_log import Message
from conformance.oracle.wording import in_words
from conformance.suite.case import case
from conformance.suite.cases.orders import late_job
from conformance.suite.exchange import Answer, SentOrder
from conformance.suite.fixture import Fixture
from conformance.suite.jobs import allowed_ms, complete, ends_by_time_out, running
from conformance.suite.preamble import (
    TRIES,
    berth_at_rest,
    crane_ready,
    crane_sound,
    fit,
    held_for_a_while,
    shuttle_at,
    start,
)
from protocol.specification import FINAL, OPEN

BRAKED_WITHIN_MS, WATCHED_MS = 1500, 300
ON_THE_WAY_MS = 800
"""How long a jog takes at least, besides what the link costs, so that a hold comes on the way."""


@case("HLD-01", "HLD-02", "ORD-03", after=("orders-ask",))
def hold_obeyed(fixture: Fixture) -> None:
    """A hold on the node's own topic shows as 'held' in its state in time, and is counted.

    Sends a hold, which carries neither boot nor id, and waits for the state that answers it. It raises no
    mark and has no report.
    """
    _hold(fixture, fixture.topic())


@case("HLD-01", after=("hold-obeyed",))
def hold_all(fixture: Fixture) -> None:
    """A hold on the topic of 'all' is obeyed as one on the node's own.

    Sends a hold to every node of the site. On a bench with other nodes these are held too.
    """
    _hold(fixture, fixture.topic(fixture.spec.everyone))


@case("HLD-07", after=("orders-ask",))
def hold_alone_for_all(fixture: Fixture) -> None:
    """Nothing but a hold is taken from the topic of 'all', an ask neither.

    Sends an ask and a claim with the node's boot there. Neither is answered, and the mark stays; an ask on the
    node's own topic, behind both, is answered.
    """
    before = fixture.ask()
    start = fixture.log.end
    everyone = fixture.topic(fixture.spec.everyone)
    fixture.send({"act": "ask", "token": fixture.rng.getrandbits(32)}, topic=everyone)
    fixture.send({"act": "claim", "boot": before.boot, "id": before.mark + 1}, topic=everyone)
    after = fixture.ask()
    reports = [one for one in fixture.log.sent("job-report", start) if one.number < after.report.number]
    fixture.none(reports, "HLD-07", "no answer to what comes for all", lambda one: one.body.get("act"))
    fixture.check(after.mark == before.mark, "HLD-07", f"mark {before.mark} still", after.mark, after.report)


@case("HLD-01", after=("hold-obeyed",))
def hold_counts(fixture: Fixture) -> None:
    """Every hold is counted, one that meets a held node too.

    Sends three holds and looks at the count of holds after each.
    """
    before = fixture.ask()
    for number in range(1, 4):
        fixture.send({"act": "hold"})
        answer = fixture.ask()
        expected = (before.role_state["holds"] + number) % 65536
        seen = answer.role_state["holds"]
        fixture.equal(seen, expected, "HLD-01", f"holds {expected}", answer.report)


@case("HLD-08", "HLD-01", after=("hold-ends",))
def hold_repeated(fixture: Fixture) -> None:
    """A hold that comes once more behind its resume, with the same token, holds nothing; any other hold does.

    Holds the node with a token, twice, and resumes it; sends that hold a third time, then one with another token and
    one with none.
    """
    token = fixture.rng.getrandbits(32)
    first = fixture.ask().role_state["holds"]
    expected = (first + 1) % 65536
    for copy in ("the hold", "its repeat"):
        fixture.send({"act": "hold", "token": token})
        held = fixture.ask()
        fixture.check(held.role_state["held"], "HLD-01", f"held by {copy}", "not held", held.report)
        seen = held.role_state["holds"]
        fixture.equal(seen, expected, "HLD-08", f"holds {expected} after {copy}", held.report)
    fixture.answer_to("resume", holds=held.role_state["holds"])
    fixture.send({"act": "hold", "token": token})
    late = fixture.ask()
    fixture.check(
        not late.role_state["held"], "HLD-08", "no hold by a repeat behind the resume", "held", late.report
    )
    for other in ({"token": token ^ 1}, {}):
        if late.role_state["held"]:
            fixture.answer_to("resume", holds=late.role_state["holds"])
        fixture.send({"act": "hold", **other})
        late = fixture.ask()
        what = "another token" if other else "no token"
        fixture.check(late.role_state["held"], "HLD-01", f"held by one with {what}", "not held", late.report)


@case("HLD-03", after=("hold-obeyed", "claim-raises"))
def hold_refuses(fixture: Fixture) -> None:
    """A held node refuses jobs with 'held' and moves nothing.

    Holds the node and orders a job whose deadline is in time.
    """
    before = fixture.ask()
    fixture.send({"act": "hold"})
    fixture.ask()
    job = fixture.send(late_job(fixture, 10_000))
    fixture.refused(job, "held", "HLD-03", mark=job.id)
    fixture.unmoved(before, "HLD-03")


@case("HLD-04", "ORD-08", after=("hold-refuses",))
def hold_wrong_count(fixture: Fixture) -> None:
    """A resume that names another count of holds is refused 'holds-count', and the node stays held.

    Holds the node and resumes with counts one below, one above and at random beside the right one.
    """
    fixture.send({"act": "hold"})
    holds = fixture.ask().role_state["holds"]
    for beside in (-1, 1, fixture.rng.randrange(2, 60_000)):
        resume = fixture.order("resume", holds=(holds + beside) % 65536)
        fixture.refused(resume, "holds-count", "HLD-04", mark=resume.id)
    answer = fixture.ask()
    fixture.check(answer.role_state["held"], "HLD-04", "still held", "not held", answer.report)


@case("HLD-05", after=("hold-obeyed", "claim-raises"))
def hold_ends(fixture: Fixture) -> None:
    """A resume with the right count ends the hold and is answered 'done'.

    Holds the node, leaves it alone for as long as two of its states may be apart, so that those are seen of a held
    node too, and resumes it; nothing moves.
    """
    fixture.send({"act": "hold"})
    held = fixture.ask()
    fixture.check(held.role_state["held"], "HLD-01", "held", "not held", held.report)
    fixture.watch(2 * fixture.repeat_ms("state_repeat"))
    report = fixture.answer_to("resume", holds=held.role_state["holds"])
    fixture.equal(report.body["state"], "done", "HLD-05", "resume 'done'", report)
    after = fixture.unmoved(held, "HLD-05")
    fixture.check(not after.role_state["held"], "HLD-05", "not held", "held", after.report)
    same = after.role_state["holds"] == held.role_state["holds"]
    fixture.check(same, "HLD-05", "the count of holds as before", after.role_state["holds"], after.report)


@case("HLD-02", "HLD-05", after=("hold-ends", "orders-job"), moves=True)
def hold_keeps_job(fixture: Fixture) -> None:
    """A hold stops a job and keeps it; after the resume it goes on and is done as if it had not been held.

    Starts a job, holds the node, sees that job still open, resumes with the right count and brings the job to
    its end. A job that had not started yet stays accepted. Where the job was over before the hold came, it is tried
    again.
    """
    for _ in range(TRIES):
        fit(fixture)
        sent = start(fixture)
        before = fixture.ask()
        fixture.send({"act": "hold"})
        held = fixture.ask()
        if not _is_over(fixture, sent):
            break
        fixture.answer_to("resume", holds=held.role_state["holds"])
    fixture.occasion(not _is_over(fixture, sent), "every job was over before a hold came")
    fixture.check(held.role_state["held"], "HLD-01", "held", "not held", held.report)
    # Between the ask and the hold it may have started; once it has, it goes on.
    still = ("running",) if before.job[1] == "running" else OPEN
    same = held.job[0] == sent.id and held.job[1] in still
    fixture.check(same, "HLD-02", f"job {sent.id} still {' or '.join(still)}", held.job, held.report)
    fixture.equal(held.mark, before.mark, "HLD-02", f"mark {before.mark}", held.report)
    resume = fixture.answer_to("resume", holds=held.role_state["holds"])
    fixture.equal(resume.body["state"], "done", "HLD-05", "resume 'done'", resume)
    final = complete(fixture, sent)
    fixture.equal(final.body["state"], "done", "HLD-05", "the job 'done'", final)


@case("HLD-05", "FLT-02", after=("hold-keeps-job", "faults-halt"), moves=True, mode="bench")
def hold_keeps_time_out(fixture: Fixture) -> None:
    """A job that no sensor ends fails by its time-out as if it had not been held: its clock goes on with the resume.

    Orders a home, a depart or a run when the inputs of the job before are over, holds the node for a second and
    resumes it, and plays nothing more. The job has to fail in the time of the site file, the hold not counted, with the
    fault of that time-out.
    """
    sent, code, timeout_ms = _endless(fixture)
    running(fixture, sent)
    limit_ms = timeout_ms + held_for_a_while(fixture)
    ends_by_time_out(fixture, sent, code=code, limit_ms=limit_ms, requirement="HLD-05")


def _endless(fixture: Fixture) -> tuple[SentOrder, str, int]:
    """A job that nothing ends on the bench, the fault by which it ends, and its time-out in ms."""
    node = fixture.node
    if node.crane is not None:
        crane_sound(fixture)
        return fixture.order("home"), "home-missed", node.crane.job_timeout_ms
    if node.berth is not None:
        berth_at_rest(fixture)
        return fixture.order("depart"), "train-stuck", node.berth.arming_timeout_ms
    assert node.shuttle is not None, "every node that is judged has a role"
    there = str(shuttle_at(fixture).body("shuttle-status").get("place"))
    other = next(stop for stop in node.shuttle.stops if stop != there)
    return fixture.order("run", to=other), "stop-missed", node.shuttle.run_timeout_ms


def _is_over(fixture: Fixture, job: SentOrder) -> bool:
    """Whether the job had ended before the hold was handled: on the bench none ends by itself, so before it arrived."""
    hold = next(m.number for m in fixture.log.since(job.before) if m.body.get("act") == "hold")
    if not fixture.on_bench:
        # A fast machine may come to its end while the hold waits its turn, and says so before it says that it holds.
        told = (m.number for m in fixture.log.since(hold) if m.from_node and m.body.get("held") is True)
        hold = next(told, hold)
    reports = [m for m in fixture.log.sent("job-report", job.before) if m.is_report(job.act, order=job.id)]
    return any(m.body["state"] in FINAL and m.number < hold for m in reports)


@case("HLD-03", "HLD-05", "CRN-11", after=("hold-keeps-job", "crane-jogs"), roles=("crane",), moves=True)
def hold_stops_crane(fixture: Fixture) -> None:
    """A held crane comes to rest on its way, stays there, and reaches its target after the resume.

    Jogs the axis that has the longest way, far enough for the hold to come on the way, and holds the crane as
    soon as the job runs. Once it has had time to brake no axis moves any more and the target is not reached;
    after the resume it is.
    """
    crane_ready(fixture)
    target = _far(fixture)
    sent = fixture.order("jog", target=target)
    running(fixture, sent)
    fixture.send({"act": "hold"})
    first, second = _at_rest(fixture)
    fixture.occasion(not _is_over(fixture, sent), "the jog was over before the hold came")
    there, then = _positions(first), _positions(second)
    fixture.check(there == then, "HLD-03", f"axes that stay at {in_words(there)}", then, second.report)
    fixture.check(then != target, "HLD-03", "axes short of their target", then, second.report)
    resume = fixture.answer_to("resume", holds=second.role_state["holds"])
    fixture.equal(resume.body["state"], "done", "HLD-05", "resume 'done'", resume)
    final = complete(fixture, sent)
    fixture.equal(final.body["state"], "done", "HLD-05", "the jog 'done'", final)
    after = fixture.ask()
    fixture.equal(_positions(after), target, "CRN-11", f"axes at {in_words(target)}", after.report)


def _at_rest(fixture: Fixture) -> tuple[Answer, Answer]:
    """Two answers one after the other once a held crane has braked, or at last: nothing says how long that may take."""
    end = fixture.bench.now_ms + allowed_ms(fixture, "jog")
    fixture.watch(fixture.stretched(BRAKED_WITHIN_MS))
    before = fixture.ask()
    while True:
        fixture.watch(fixture.stretched(WATCHED_MS))
        after = fixture.ask()
        if _positions(before) == _positions(after) or fixture.bench.now_ms >= end:
            return before, after
        before = after


def _far(fixture: Fixture) -> list[int]:
    """Every axis where it stands, but the one with the longest way in time as far on as the hold needs."""
    assert fixture.node.crane is not None
    began = fixture.bench.now_ms
    axes, here = fixture.node.crane.axes, _positions(fixture.ask())
    travels_s = (ON_THE_WAY_MS + 4 * (fixture.bench.now_ms - began)) / 1000
    ends = [
        max((axis.least, axis.most), key=lambda end: abs(end - at))
        for axis, at in zip(axes, here, strict=True)
    ]
    ways = [abs(end - at) / axis.speed for axis, end, at in zip(axes, ends, here, strict=True)]
    longest = ways.index(max(ways))
    way = round(axes[longest].speed * min(ways[longest], travels_s))
    target = list(here)
    target[longest] += way if ends[longest] > here[longest] else -way
    return target


def _positions(answer: Answer) -> list[int]:
    return [axis[0] for axis in answer.body("crane-status")["axes"]]


def _hold(fixture: Fixture, topic: str) -> Answer:
    before = fixture.ask()
    expected = (before.role_state["holds"] + 1) % 65536
    fixture.until_it_hears(topic.split("/")[-2])
    sent = fixture.send({"act": "hold"}, topic=topic)

    def obeyed(message: Message) -> bool:
        return (
            message.from_node and message.body.get("held") is True and message.body.get("holds") == expected
        )

    state = fixture.wait_for(obeyed, fixture.patience_ms, sent.before)
    fixture.check(state is not None, "HLD-01", f"held with holds {expected} in the state", "no such state")
    assert state is not None
    arrived = next((m for m in fixture.log.since(sent.before) if m.body.get("act") == "hold"), state)
    took, limit = state.at_ms - arrived.at_ms, fixture.limit_ms("answer")
    span = arrived.at_ms, state.at_ms
    fixture.in_time(
        took <= limit + fixture.bench.line_ms(*span),
        span,
        "HLD-01",
        f"held within {limit:.0f} ms",
        f"after {took:.0f} ms",
        state,
    )
    after = fixture.unmoved(before, "HLD-02")
    fixture.equal(after.mark, before.mark, "HLD-02", f"mark {before.mark}", after.report)
    reports = [m for m in fixture.log.sent("job-report", sent.before) if m.body.get("act") == "hold"]
    fixture.check(not reports, "HLD-02", "no report for a hold", "a report")
    return after
