"""Jobs of the node under test: the sensors that they need on the bench, and how long they may take.

In service the machine's own sensors do, and the tester only waits.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from conformance.oracle.link_log import Message
from conformance.suite.exchange import Answer, SentOrder
from conformance.suite.fixture import LEAD_MS, Fixture, Inputs
from conformance.suite.verdict import Broken
from protocol.site import HOME_SENSORS, NodeSite
from protocol.specification import FINAL

MARGIN_MS = 3000
AGAIN_MS = 1500
"""How often the home switches are played again: a crane may home one axis after the other, each as it closes."""
PULSE: Inputs = (("end", True, 40), ("end", False, 40))
ARMING: Inputs = (("arming", True, 40), ("arming", False, 40))
LATER_MS = 1000
"""How much later than its time-out a job may fail: the report has a way to go."""
STARTED = "the first report of the job with 'running'"
_WITHOUT_STEPS = "of a crane that reports no steps the crane-status of that job in which the spreader"
GRIPS = f"the report with step 'grip'; {_WITHOUT_STEPS} has closed"
RELEASES = f"the report with step 'release'; {_WITHOUT_STEPS} opens"


@dataclass(frozen=True, slots=True)
class Cue:
    """Sensor inputs to play once, at the first message of the node that is as wanted."""

    wanted: Callable[[Message], bool]
    inputs: Inputs = ()
    when: str = ""
    """`wanted` in words, for who writes firmware."""
    again: bool = False
    """Whether they are played over and over until the job has ended."""
    order: Mapping[str, Any] | None = None
    """What is sent then, in service too, in place of inputs."""


def complete(fixture: Fixture, sent: SentOrder, *, cues: tuple[Cue, ...] | None = None) -> Message:
    """Play the sensors that a job needs until its final report, which is given.

    Raises Broken where no final report comes in the time that the site file allows the job.
    """
    given = cues_for(fixture, sent) if cues is None else cues
    open_cues = [cue for cue in given if fixture.on_bench or cue.order]
    within = allowed_ms(fixture, sent.act)
    end = fixture.bench.now_ms + within
    seen, again, again_ms = sent.before, None, end
    while True:
        until = min(end, again_ms) if again else end
        message = fixture.wait_for(lambda m: m.from_node, max(0, until - fixture.bench.now_ms), seen)
        if again and fixture.bench.now_ms >= again_ms and not _has_ended(fixture, sent):
            fixture.stimulate(*again.inputs)
            again_ms = fixture.bench.now_ms + fixture.stretched(AGAIN_MS)
        if message is None and fixture.bench.now_ms < end:
            continue
        if message is None:
            raise Broken(
                "ORD-16",
                f"a final report for {sent.act!r} {sent.id}",
                f"none within the {within:.0f} ms that the site file allows",
            )
        seen = message.number
        if message.is_report(sent.act, order=sent.id) and message.body["state"] in FINAL:
            fixture.judged["ORD-16"] += 1
            if sent.act == "home" and fixture.on_bench:
                # Left closed, the switches would end the next homing before anything has moved.
                fixture.stimulate(*homes(fixture.node, False))
            # A job may end with the first of its inputs; the others would pass for those of the next job.
            fixture.play_out()
            return message
        for cue in [cue for cue in open_cues if cue.wanted(message)]:
            open_cues.remove(cue)
            if cue.order is not None:
                fixture.send(cue.order)
                continue
            fixture.stimulate(*cue.inputs)
            if cue.again:
                again, again_ms = cue, fixture.bench.now_ms + fixture.stretched(AGAIN_MS)


def _has_ended(fixture: Fixture, sent: SentOrder) -> bool:
    reports = fixture.log.sent("job-report", sent.before)
    return any(m.is_report(sent.act, order=sent.id) and m.body["state"] in FINAL for m in reports)


def running(fixture: Fixture, sent: SentOrder) -> Message:
    """The first report that a job is running. It may be accepted long before, up to its deadline. Raises Unclear."""
    told = fixture.wait_for(
        lambda m: m.is_report(sent.act, order=sent.id) and m.body["state"] not in ("accepted", "refused"),
        fixture.stretched(LEAD_MS) + fixture.patience_ms,
        sent.before,
    )
    fixture.need(told is not None, f"{sent.act!r} was not started by its deadline")
    assert told is not None
    return told


def ends_by_time_out(
    fixture: Fixture, sent: SentOrder, *, code: str, limit_ms: int, requirement: str
) -> Answer:
    """Play no sensor, and see the job fail in its time with the fault of its time-out; gives the answer behind that.

    `limit_ms` is counted from the job's first 'running'. Raises Broken under `requirement`, under FLT-02 where the job
    ends otherwise than 'failed'.
    """
    began = running(fixture, sent).at_ms
    expected = f"the time-out after {limit_ms} ms"
    try:
        final = complete(fixture, sent, cues=())
    except Broken as broken:
        raise Broken(requirement, expected, "the job stayed open") from broken
    fixture.equal(final.body["state"], "failed", "FLT-02", "'failed'", final)
    took_ms, fits = final.at_ms - began, final.at_ms - began <= fixture.stretched(limit_ms + LATER_MS)
    fixture.in_time(fits, (began, final.at_ms), requirement, expected, f"after {took_ms:.0f} ms", final)
    after = fixture.ask()
    active = after.body("fault").get("active", [])
    fixture.check(code in active, requirement, f"{code!r} active", active, after.report)
    return after


def is_over(fixture: Fixture, job: SentOrder, answer: Message) -> bool:
    """Whether a job had truly ended before `answer`: in service by its own sensors, on the bench never by itself."""
    if fixture.on_bench:
        return False
    reports = (m for m in fixture.log.sent("job-report", job.before) if m.is_report(job.act, order=job.id))
    return any(m.body["state"] == "done" and m.number <= answer.number for m in reports)


def done(fixture: Fixture, act: str, **fields: Any) -> Message:
    """Order a job and bring it to its end, which must be 'done'. Raises Unclear where it is not."""
    sent = fixture.order(act, **fields)
    report = complete(fixture, sent)
    fixture.need(
        report.body["state"] == "done",
        f"{act!r} ended {report.body['state']!r}, reason {report.body.get('reason', '')!r}",
    )
    return report


def allowed_ms(fixture: Fixture, act: str) -> float:
    """How long a job may take by the site file, with some margin."""
    node = fixture.node
    times = {"admit": 0, "depart": 0, "run": 0}
    if node.berth:
        times["admit"] = node.berth.arming_timeout_ms + node.berth.end_timeout_ms
        times["depart"] = node.berth.arming_timeout_ms + node.berth.end_timeout_ms + node.berth.clear_ms
    if node.shuttle:
        times["run"] = node.shuttle.run_timeout_ms
    crane = node.crane.job_timeout_ms if node.crane else 0
    return fixture.stretched(times.get(act, crane) + LEAD_MS + MARGIN_MS)


def cues_for(fixture: Fixture, sent: SentOrder) -> tuple[Cue, ...]:
    """The sensor inputs that a conformant job needs on the bench."""
    return played(fixture.node, sent)


def played(node: NodeSite, sent: SentOrder) -> tuple[Cue, ...]:
    """The same, of a node by its part of the site file."""

    def report(step: str = "") -> Callable[[Message], bool]:
        return lambda m: (
            m.is_report(sent.act, order=sent.id)
            and m.body["state"] == "running"
            and (not step or m.body.get("step") == step)
        )

    match sent.act:
        case "home":
            return (Cue(report(), closing(node), STARTED, again=True),)
        case "transfer":
            spreader = _Spreader(sent)
            return (
                Cue(lambda m: report("grip")(m) or spreader.closes(m), (("load", True, 0),), GRIPS),
                Cue(lambda m: report("release")(m) or spreader.opens(m), (("load", False, 0),), RELEASES),
            )
        case "admit" | "depart":
            return (Cue(report(), (*ARMING, *PULSE), STARTED),)
        case "run":
            return (Cue(report(), arriving(node, str(sent.body["to"])), STARTED),)
    return ()


class _Spreader:
    """When the spreader of a crane that reports no steps closes and opens in a job, by its crane-status."""

    def __init__(self, sent: SentOrder) -> None:
        self._job, self._steps, self._closed = sent.id, False, "from" not in sent.body
        self._before = self._now = ""

    def closes(self, message: Message) -> bool:
        """Whether it has closed, having been open."""
        self._look(message)
        return not self._steps and self._now == "closed" and self._before != ""

    def opens(self, message: Message) -> bool:
        """Whether it opens with the box in it."""
        self._look(message)
        self._closed = self._closed or (self._now == "closed" and self._before != "")
        return not self._steps and self._closed and self._now in ("open", "moving")

    def _look(self, message: Message) -> None:
        body = message.body
        self._steps = self._steps or (body.get("id") == self._job and "step" in body)
        told = body.get("spreader") if body.get("job") == self._job else None
        if told is not None and told != self._now:
            self._before, self._now = self._now, str(told)


def closing(node: NodeSite) -> Inputs:
    """Every home switch open and then closed: found by a crane that waits for a level, or for an edge."""
    return tuple((switch, level, 40) for switch, _, _ in homes(node, True) for level in (False, True))


def homes(node: NodeSite, level: bool) -> Inputs:
    """Every home switch of the node's crane to one level."""
    axes = node.crane.axes if node.crane else ()
    return tuple((switch, level, 40) for switch, _ in zip(HOME_SENSORS, axes, strict=False))


def arriving(node: NodeSite, place: str) -> Inputs:
    """The stop sensors as they fire when the shuttle leaves where it stands and reaches `place`."""
    stops = node.shuttle.stops if node.shuttle else ()
    others = tuple((f"stop-{n}", False, 10) for n, stop in enumerate(stops, 1) if stop != place)
    there = f"stop-{stops.index(place) + 1}"
    return (*others, (there, False, 10), (there, True, 100))
