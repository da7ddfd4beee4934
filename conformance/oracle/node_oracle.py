"""The oracles: reads the log as it grows and says what a node did wrong, whatever was sent to it.

What messages break together is the business of `protocol.rules`; here stands what only a tester can judge,
who knows everything that reached the node and in which order.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from typing import Any

from conformance.oracle.deadlines import Deadlines
from conformance.oracle.expected import Expected, Known
from conformance.oracle.finding import Finding, Oracle
from conformance.oracle.link_log import Log, Message
from conformance.oracle.memory_trend import MemoryTrend
from conformance.oracle.timing import Timing
from conformance.oracle.writing import may_refuse
from protocol.recording import RecordedMessage
from protocol.rules import RuleMonitor
from protocol.site import Site
from protocol.specification import FINAL, OPEN, STATE_OF_ROLE, specification
from protocol.topics import Topic
from protocol.validation import Reading

EXCUSED_MS = 12_000
"""After a fault of the link the node may be away for as long as it waits before it connects again."""
ROLE_STATES = tuple(STATE_OF_ROLE.values())
BAD_MESSAGE_MS = 1500
DEAD = "the node does not answer an ask any more"
LEFT_OUT = frozenset({
    "MSG-02", "MSG-03", "MSG-08", "ORD-01", "ORD-06", "ORD-10", "ORD-12", "ORD-14", "ORD-15", "HLD-03", "CRN-10",
    "CRN-12",
})  # fmt: skip
"""Rules over recordings that take it that a supervisor keeps to its part, and for one that no id is used for two
orders; they are judged here instead.
"""


class NodeOracle:
    """Judges one node. `findings` grows; `take` reads what is new in the log."""

    def __init__(self, log: Log, site: Site, name: str, rate: float = 0) -> None:
        """More than `rate` orders in a second may be lost without an answer; 0: none may ever be."""
        self._log, self._site, self._name = log, site, name
        self._rate = rate
        self._topic = str(Topic(site.name, name, "job-order"))
        self._everyone = str(Topic(site.name, specification().everyone, "job-order"))
        self.findings: list[Finding] = []
        self._begin()
        self._read = 0

    def restarted(self) -> None:
        """The node was reset on purpose: nothing is known, and what its old connection still brings is past."""
        old = self._log.traces[-1].connection if self._log.traces else 0
        self._begin()
        self._old = old

    def went_on(self) -> None:
        """The node goes on, but what it did is forgotten."""
        self._begin()

    def _begin(self) -> None:
        self._read, self._old = self._log.end, 0
        self.known = Known(self._site.nodes[self._name])
        self.faults = 0
        self.states: dict[str, Mapping[str, Any]] = {}
        self.fenced = 0
        """The token of the newest ask that was answered."""
        self.reports = 0
        """Reports so far: while they come a node is at work."""
        self.waiting: list[Expected] = []
        self._watch = RuleMonitor(self._site)
        self._timing = Timing(self.tell)
        self._memory = MemoryTrend()
        self._deadlines = Deadlines()
        self._excused_ms = -1.0
        self._connection = 0
        self._heard: set[str] = set()
        """Kinds of messages heard on this connection: on one, nothing gets lost before the tap."""
        self._newest = 0
        """Number of the newest order that came."""
        self._bad_ms: float | None = None
        self._resumed = False
        """Whether a resume came since the last fence."""
        self._jobs: dict[int, tuple[str, str]] = {}
        """Act and state of every job of this boot that was taken."""
        self._given: set[tuple[str, int]] = set()
        """Acts and ids that reports may name."""
        self._tokens: set[int] = set()
        """Tokens of the asks since the last fence."""
        self._arrivals: deque[float] = deque()

    def excuse(self, at_ms: float) -> None:
        """The link is being disturbed: orders may be lost and the node may go away for a while."""
        self._excused_ms = at_ms + EXCUSED_MS
        self._timing.disturbed()
        self._unsure()

    @property
    def silent_is_fine(self) -> bool:
        """Whether a fault of the link may still keep the node away."""
        return bool(self._log.traces) and self._log.traces[-1].at_ms < self._excused_ms

    def take(self, now_ms: float) -> None:
        """Judge all messages that are new, and what has become overdue by now."""
        for message in self._log.since(self._read):
            self._read = message.number
            if message.trace.connection <= self._old:
                continue
            self._connected(message)
            if message.from_node:
                self._said(message)
            elif message.topic in (self._topic, self._everyone):
                self._came(message)
        self._timing.late(now_ms, self._excused_ms)

    def tell(self, requirement: str, what: str, oracle: Oracle, at: int = 0) -> None:
        """Enter a finding, but for what came after the minor version that the node says."""
        if requirement not in specification().at(self._log.minor).requirements:
            return
        self.findings.append(Finding(requirement, what, oracle, at))

    def tell_dead(self) -> None:
        """An ask was not answered, however often it was said."""
        self.tell("ORD-03", DEAD, Oracle.ANSWER)

    @property
    def dead(self) -> bool:
        """Whether the node has stopped to answer."""
        return any(one.what == DEAD for one in self.findings)

    # ---- the link

    def _connected(self, message: Message) -> None:
        connection = message.trace.connection
        if self._connection and connection != self._connection:
            if message.at_ms > self._excused_ms:
                what = "the node lost its connection though the link was sound"
                self.tell("LNK-03", what, Oracle.CONNECTION, message.number)
            self._excused_ms = max(self._excused_ms, message.at_ms + 1000)
            self._timing.disturbed()
            self._unsure()
        if connection != self._connection:
            self._heard.clear()
        self._connection = connection

    def _unsure(self) -> None:
        self.waiting.clear()
        self.known.sure = False

    # ---- orders

    def _came(self, message: Message) -> None:
        if message.retain or message.trace.size > self.known.node.buffer:
            return
        self._newest = message.number
        body = message.body
        readable = bool(body) and self.known.node.reads in ("both", str(message.encoding))
        if not readable or (message.topic == self._everyone and body["act"] != "hold"):
            self._bad_ms = message.at_ms
            return
        if body["act"] == "reset-fault":
            self._bad_ms = None
        if body["act"] == "set-uptime":
            self._timing.set_anew()
            self._deadlines.clear()
        self._resumed |= body["act"] == "resume"
        if body["act"] == "ask":
            self._tokens.add(body["token"])
        elif "id" in body:
            # A cancel is answered under the id that it names, or as a repeat under its own.
            self._given |= {(body["act"], body["id"]), (body["act"], body.get("ref", body["id"]))}
            self._deadlines.came(body)
        if may_refuse(message):
            self._unsure()
            return
        self._answered(message)

    def _answered(self, message: Message) -> None:
        """What follows from an order that the node has to read."""
        body = message.body
        if message.topic == self._topic:
            self._watched(message, Reading(dict(body), message.encoding))
        expected = self.known.order(body, message.number, message.at_ms)
        if self._too_fast(message.at_ms):
            self._unsure()
        elif expected is not None:
            self.waiting.append(expected)

    def _too_fast(self, at_ms: float) -> bool:
        """ORD-19: beyond the promised rate a node may lose orders, and live on."""
        arrivals = self._arrivals
        arrivals.append(at_ms)
        while arrivals[0] < at_ms - 1000:
            arrivals.popleft()
        return bool(self._rate) and len(arrivals) > self._rate

    # ---- what the node says

    def _said(self, message: Message) -> None:
        for finding in message.findings:
            what = f"in its {message.name or 'message'}: {finding.what}"
            self.tell(finding.requirement, what, Oracle.MESSAGE, message.number)
        body = message.body
        if not body or message.name == "job-order":
            return
        if "uptime" in body and body["boot"] != self.known.boot:
            self._new_boot(message)
        setting = sum(one.act == "set-uptime" for one in self.waiting)
        told = message.name == "job-report" and body["act"] == "set-uptime"
        self._timing.said(message, self._excused_ms, setting=setting > told, told=told)
        self._watched(message, Reading(dict(body), message.encoding), whole=message.name in self._heard)
        self._heard.add(message.name)
        if message.name == "job-report":
            self.reports += 1
            self._report(message)
        elif message.name:
            self._kept_on(message)
            self.states[message.name] = body
            self.faults = int(body.get("faults", self.faults))

    def _kept_on(self, message: Message) -> None:
        """A hold ends by a resume, and a spreader with a box opens in a job; by nothing else."""
        was, body = self.states.get(message.name, {}), message.body
        if was.get("held") and body.get("held") is False and not self._resumed:
            what = "its hold ended, and no resume had come"
            self.tell("HLD-05", what, Oracle.HOLD, message.number)
        opens = was.get("spreader") == "closed" and body.get("spreader") in ("open", "moving")
        if opens and was.get("load") == "box" and body.get("job_state") not in OPEN:
            what = "its spreader opens with a box in it, and no job is open"
            self.tell("CRN-12", what, Oracle.MOTION, message.number)

    def _new_boot(self, message: Message) -> None:
        if self.known.boot >= 0:
            cause = self.states.get("node-status", {}).get("reset", "unknown")
            cause = message.body.get("reset", cause)
            what = f"the node restarted by itself, reset cause {cause!r}"
            self.tell("MSG-05", what, Oracle.RESTART, message.number)
        self._unsure()
        self.known.boot = message.body["boot"]
        self.states.clear()
        self._timing.set_anew()
        self._memory.clear()
        self._deadlines.clear()
        self._jobs.clear()
        self._given.clear()

    def _watched(self, message: Message, reading: Reading, *, whole: bool = False) -> None:
        """`whole`: a gap before this message is the node's own doing."""
        item = RecordedMessage(
            int(message.at_ms * 1000), message.topic, message.payload, message.qos, False, False
        )
        for breach in self._watch.take(item, reading):
            ours = breach.requirement in LEFT_OUT or breach.requirement.startswith("SUP")
            note = breach.note and not (whole and breach.requirement == "MSG-07")
            if not note and not ours:
                self.tell(breach.requirement, breach.what, Oracle.RULE, message.number)

    def _job(self, message: Message) -> None:
        """A job that was taken goes through its states once."""
        body = message.body
        act, state, id_ = body["act"], body["state"], body.get("id", 0)
        if act not in specification().jobs or state == "refused":
            return
        taken, was = self._jobs.get(id_, (act, ""))
        if taken != act:
            return
        self._jobs[id_] = act, state
        if was in FINAL and state in OPEN:
            what = f"{act} was {was!r} and is {state!r} again: it is done twice"
            self.tell("ORD-06", what, Oracle.JOB, message.number)
        elif (was in FINAL and state != was) or (was, state) == ("running", "accepted"):
            self.tell("ORD-15", f"{act} went from {was!r} to {state!r}", Oracle.JOB, message.number)

    def _report(self, message: Message) -> None:
        self._job(message)
        body = message.body
        requirement, what = self._deadlines.wrongly_late(body)
        if requirement:
            self.tell(requirement, f"{body['act']} was {what}", Oracle.ANSWER, message.number)
        position = next((at for at, one in enumerate(self.waiting) if one.fits(body)), None)
        if position is None:
            self._unasked(message)
            return
        expected = self.waiting[position]
        if expected.strict:
            before = self.waiting[:position]
            passed = before if expected.act == "ask" else [one for one in before if one.strict]
            for one in passed:
                what = f"no report to {one.act!r} before that to a later order"
                self.tell("ORD-01", what, Oracle.ANSWER, one.number)
            self.waiting = [one for one in before if one not in passed] + self.waiting[position:]
        self.waiting.remove(expected)
        self._answer(expected, message)
        if expected.act == "ask":
            self._fence(message, expected.number)

    def _unasked(self, message: Message) -> None:
        """A report to nothing: mostly to an order that could not be read."""
        act, body = message.body["act"], message.body
        asked = body["token"] in self._tokens if act == "ask" else (act, body["id"]) in self._given
        if asked or not self.known.sure:
            return
        if self._bad_ms is None:
            what = f"a report to {act!r} with an id or token that no such order had"
            self.tell("ORD-14", what, Oracle.ANSWER, message.number)
        else:
            what = f"a report to {act!r}, which came only in an order that cannot be read"
            self.tell("ENC-10", what, Oracle.ANSWER, message.number)

    def _answer(self, expected: Expected, message: Message) -> None:
        body = message.body
        state, reason = body["state"], body.get("reason", "")
        if expected.states and state not in expected.states:
            wanted = " or ".join(map(repr, expected.states))
            wanted += f" {expected.reason}" if expected.reason else ""
            what = f"{expected.act} was answered {state!r} {reason} and must be {wanted}"
            self.tell(expected.requirement, what, Oracle.ANSWER, message.number)
        elif expected.reason and reason != expected.reason:
            what = f"{expected.act} was refused with {reason!r} and must be with {expected.reason!r}"
            self.tell(expected.requirement, what, Oracle.ANSWER, message.number)

    # ---- fences

    def _fence(self, message: Message, asked: int) -> None:
        """The ask with trace number `asked` is answered: what came before it has been handled [ORD-03]."""
        # What came behind the ask may show its effects already.
        if not self.waiting and asked == self._newest:
            if self.known.sure:
                self._judge(message)
            self._learn(message.body, message.at_ms)
        self.fenced = int(message.body["token"])

    def _judge(self, message: Message) -> None:
        known, mark = self.known, message.body["mark"]
        if not known.low <= mark <= known.mark:
            what = f"the mark is {mark}, and by what came it is {known.mark}"
            self.tell("ORD-08", what, Oracle.MARK, message.number)
        state = self._role_state()
        if state and (state["held"], state["holds"]) != (known.held, known.holds):
            what = (
                f"held is {state['held']} and holds {state['holds']}; by the holds and resumes that came they are "
                f"{known.held} and {known.holds}"
            )
            self.tell("HLD-01", what, Oracle.HOLD, message.number)
        starts = self.states.get("node-status", {}).get("starts")
        if None not in (starts, known.starts) and starts != known.starts and not known.may_move:
            what = "a motor was switched on, and nothing that came may move one"
            self.tell("ORD-20", what, Oracle.MOTION, message.number)
        if state.get("job") != known.job and state.get("job") not in known.taken:
            what = f"its job is {state.get('job')}, which no order that came can be"
            self.tell("ORD-09", what, Oracle.JOB, message.number)
        self._bad(message)

    def _bad(self, message: Message) -> None:
        due = self._bad_ms is not None and message.at_ms - self._bad_ms > BAD_MESSAGE_MS
        if due and "bad-message" not in self.states.get("fault", {}).get("active", ["bad-message"]):
            what = "a bad message came, and no fault 'bad-message' was raised"
            self.tell("ENC-10", what, Oracle.FAULT, message.number)
            self._bad_ms = None

    def _role_state(self) -> Mapping[str, Any]:
        return next((self.states[name] for name in ROLE_STATES if name in self.states), {})

    def _learn(self, body: Mapping[str, Any], at_ms: float) -> None:
        known, state, status = self.known, self._role_state(), self.states.get("node-status", {})
        known.sure, known.boot = True, body["boot"]
        known.low = known.mark = body["mark"]
        known.uptime, known.uptime_at_ms = body["uptime"], at_ms
        known.held, known.holds = bool(state.get("held")), int(state.get("holds", 0))
        known.job, known.job_open = state.get("job"), state.get("job_state") in OPEN
        known.taken = set()
        known.starts, known.bench = status.get("starts"), bool(status.get("bench"))
        known.minor = self._log.minor
        known.may_move = known.job_open or state.get("mode") in ("homing", "working")
        self._resumed = False
        self._tokens.clear()
        if sinks := self._memory.sinks(status.get("memory")):
            self.tell("MSG-13", sinks, Oracle.MEMORY)
