"""The bench profile: what a node in bench mode takes, and one in service must not."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import pairwise
from typing import Any

from conformance.oracle.link_log import Message
from conformance.suite.case import case
from conformance.suite.fixture import Fixture
from conformance.suite.jobs import complete, running
from conformance.suite.observation import Observing
from conformance.suite.occasions import JOBS
from conformance.suite.preamble import fit, power_failure, start
from protocol.counting import UPTIME_MODULUS, uptime_difference
from protocol.specification import STATE_OF_ROLE

WRAP_MS = 500
MOVING = ("admit", "depart", "transfer")
CLOCK_MS = 250
"""Most that the link and the loop of a board can add to the time between two messages."""


@case("BEN-01", "ORD-20", after=("claim-raises",), mode="service")
def bench_not_in_service(fixture: Fixture) -> None:
    """A node in service refuses stimulus and set-uptime with 'not-bench'.

    Sends one of each. Nothing may move, and the uptime goes on as it was.
    """
    before = fixture.ask()
    stimulus = fixture.order("stimulus", inputs=[["arming", True, 0], ["arming", False, 10]])
    fixture.refused(stimulus, "not-bench", "BEN-01", mark=stimulus.id)
    jump = fixture.order("set-uptime", uptime=(fixture.uptime_in(0) + 1_000_000) % UPTIME_MODULUS)
    fixture.refused(jump, "not-bench", "BEN-01", mark=jump.id)
    after = fixture.unmoved(before, "BEN-01")
    gone = uptime_difference(after.report.body["uptime"], before.report.body["uptime"])
    fixture.check(gone < 900_000, "BEN-01", "uptime as it was", f"{gone} ms later", after.report)


@case("BEN-02", after=("claim-raises",), mode="bench")
def bench_stimulus(fixture: Fixture) -> None:
    """A bench node takes a stimulus and answers it 'done'.

    Plays an input of a sensor of the node's own role to the level that it has: nothing may move.
    """
    before = fixture.ask()
    report = fixture.answer_to("stimulus", inputs=[["motor-power", True, 0]])
    said = f"{report.body['state']} {report.body.get('reason', '')}".strip()
    fixture.check(report.body["state"] == "done", "BEN-02", "'done'", said, report)
    fixture.unmoved(before, "BEN-02")


@case("BEN-03", after=("orders-ask",), mode="bench")
def bench_starts(fixture: Fixture) -> None:
    """A bench node says in node-status how often it has switched a motor on.

    Asks, and looks at 'starts' in the node-status that comes with the answer. Cases that must move nothing
    rest on it.
    """
    answer = fixture.ask()
    fixture.check(
        answer.starts is not None, "BEN-03", "'starts' in node-status", "it is missing", answer.report
    )


@case("BEN-04", "MSG-08", after=("claim-raises",), mode="bench")
def bench_set_uptime(fixture: Fixture) -> None:
    """A set-uptime makes uptime go on from the value given, and changes nothing else.

    Sets a random uptime and asks: the answer's uptime lies as far beyond it as time has passed. Mark, job,
    boot and motors are as before.
    """
    before = fixture.ask()
    value = fixture.rng.randrange(UPTIME_MODULUS // 4)
    sent = fixture.order("set-uptime", uptime=value)
    report = fixture.report(sent)
    fixture.equal(report.body["state"], "done", "BEN-04", "'done'", report)
    after = fixture.unmoved(before, "BEN-04")
    gone = uptime_difference(after.report.body["uptime"], value)
    passed = after.report.at_ms - report.at_ms
    fits = 0 <= gone <= passed + fixture.stretched(CLOCK_MS)
    fixture.in_time(
        fits,
        (report.at_ms, after.report.at_ms),
        "BEN-04",
        f"uptime {value} + {passed:.0f} ms",
        after.report.body["uptime"],
        after.report,
    )
    fixture.equal(after.mark, sent.id, "BEN-04", f"mark {sent.id}", after.report)
    fixture.equal(after.boot, before.boot, "BEN-04", f"boot {before.boot}", after.report)


@case("MSG-09", "MSG-08", after=("bench-set-uptime",), mode="bench")
def bench_wrap(fixture: Fixture) -> Observing:
    """A node goes on through the wrap of uptime: its heartbeats come as before.

    Sets the uptime 1.5 s before the wrap and listens for as long as three heartbeats may take: each state
    topic is heard in time, before and after.
    """
    fixture.answer_to("set-uptime", uptime=UPTIME_MODULUS - 1500)
    most = fixture.repeat_ms("state_repeat")
    quiet = yield 3 * most
    ended = quiet.began_ms + 3 * most
    for name in fixture.state_topics:
        if name == "node-status":
            continue
        heard = [m.at_ms for m in quiet.heard if m.name == name and m.at_ms < ended]
        expected = f"{name} every {most:.0f} ms at most"
        for span in pairwise((quiet.began_ms, *heard, ended)):
            gap = span[1] - span[0]
            fits = gap <= most + fixture.bench.line_ms(*span)
            fixture.in_time(fits, span, "MSG-09", expected, f"none for {gap:.0f} ms")
    newest = [m for m in quiet.heard if "uptime" in m.body][-1]
    fixture.check(newest.body["uptime"] < 60_000, "MSG-08", "an uptime past 0", newest.body["uptime"], newest)


@case("MSG-09", after=("bench-set-uptime", "orders-job"), moves=True, mode="bench")
def bench_job_across_wrap(fixture: Fixture) -> None:
    """A job that runs while uptime goes through its wrap ends as any other.

    Starts a job whose deadline lies behind the wrap, sets the uptime half a second before it once the job runs, and
    lets it pass. The job is open still, and is done when its sensors are played.
    """
    fit(fixture)
    sent = start(fixture)
    running(fixture, sent)
    fixture.answer_to("set-uptime", uptime=UPTIME_MODULUS - WRAP_MS)
    fixture.watch(2 * WRAP_MS)
    answer = fixture.ask()
    expected = (sent.id, "running")
    fixture.equal(answer.job, expected, "MSG-09", f"job {sent.id} running past the wrap", answer.report)
    final = complete(fixture, sent)
    fixture.equal(final.body["state"], "done", "MSG-09", "the job 'done'", final)


@case("BEN-03", after=("orders-job",), passive=True, occasions=JOBS, mode="bench")
def bench_starts_rise(fixture: Fixture) -> None:
    """Every job that moves something raises the count of motor starts.

    Judged from every admit, depart and transfer that was done, and every run from where a run has ended to another
    place, by the node-status before its order and the one after its end: a home may find its axes on their switches,
    and a run from where a person has found the shuttle its place. All cases in which nothing may move rest on that
    count.
    """
    before: dict[tuple[int, int], int] = {}
    """Boot and id of each job to the count before its order came first."""
    over: dict[tuple[int, int], Message] = {}
    told: dict[int, int] = {}
    ordered: set[tuple[int, int]] = set()
    """Seen before: a repeat says nothing of where the job began."""
    shuttle = _Shuttle()
    for message in fixture.log.messages:
        body = message.body
        key = (body.get("order_boot", body.get("boot", 0)), body.get("id", 0))
        shuttle.hear(message)
        if message.from_node and "starts" in body:
            told[body["boot"]] = body["starts"]
            for job, report in over.items():
                if job in before and job[0] == body["boot"]:
                    was, now = before[job], body["starts"]
                    expected = f"'starts' other than {was} after {report.body['act']}"
                    fixture.check(now != was, "BEN-03", expected, now, report)
                    del before[job]
        elif not message.from_node and key not in ordered:
            ordered.add(key)
            if key[0] in told and (body.get("act") in MOVING or shuttle.leaves(body)):
                before[key] = told[key[0]]
        elif (
            message.from_node
            and body.get("state") == "done"
            and (body["act"] in MOVING or (body["act"] == "run" and key in before))
        ):
            over.setdefault(key, message)
    fixture.occasion(bool(over), "no job that moves something was done")


class _Shuttle:
    """Where a shuttle has come to by a run, and has not been lost since."""

    def __init__(self) -> None:
        self._moved = False
        self._place: object = None

    def hear(self, message: Message) -> None:
        """Take in a message of the node: a shuttle comes up 'lost', and is so after whatever else may move it."""
        if message.name == "shuttle-status":
            at_place = message.body.get("state") == "at-place"
            self._moved = message.body.get("state") == "moving" or (at_place and self._moved)
            self._place = message.body.get("place") if at_place and self._moved else None

    def leaves(self, order: Mapping[str, Any]) -> bool:
        """Whether an order is a run for which it has to move."""
        return order.get("act") == "run" and self._place not in (None, order["to"])


@case("MSG-14", "BEN-02", after=("bench-stimulus",), mode="bench")
def bench_inputs(fixture: Fixture) -> None:
    """A node that says inputs says each sensor in the bit of its own.

    Takes the motor power away, so that nothing is ordered or known. Then it plays each sensor of each role to the level
    that the node does not say, and back: that bit changes and no other; once more while the node is held. A node that
    says no inputs is not judged.
    """
    power_failure(fixture)
    told = _play_each(fixture)
    fixture.occasion(told > 0, "it says no inputs")
    fixture.send({"act": "hold"})
    _play_each(fixture)


def _play_each(fixture: Fixture) -> int:
    told = 0
    for role, message in STATE_OF_ROLE.items():
        said = fixture.ask().body(message).get("inputs")
        if said is None:
            continue
        told += 1
        for bit, sensor in enumerate(fixture.node.sensors(role)):
            for wanted in (said ^ (1 << bit), said):
                _play_one(fixture, message, sensor, wanted, bool(wanted >> bit & 1))
    return told


def _play_one(fixture: Fixture, message: str, sensor: str, wanted: int, level: bool) -> None:
    before = fixture.log.end
    fixture.stimulate((sensor, level, 0))
    fixture.wait_for(
        lambda m: m.from_node and m.name == message and m.body.get("inputs") == wanted,
        fixture.patience_ms,
        before,
    )
    answer = fixture.ask()
    seen = answer.body(message).get("inputs")
    closed = "closed" if level else "open"
    expected = f"inputs {wanted} in {message} with {sensor} {closed}"
    fixture.check(seen == wanted, "MSG-14", expected, seen, answer.report)
