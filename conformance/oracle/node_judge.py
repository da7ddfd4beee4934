"""The judge of a node: reads the log as it grows and says what the node may not have said, whatever was sent to it.

It knows everything that came to the node, in which order and when, and holds everything that the node may be
(`state_set`); what is known outlives a connection, for a boot does. Where it cannot be sure it says nothing, and
`judged` tells how often it could judge each requirement.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from math import inf
from typing import Any

from conformance.oracle.answer_time import AnswerTime
from conformance.oracle.answers import Mismatch
from conformance.oracle.attribution import Attribution
from conformance.oracle.disturbances import Damaged, Disturbances, played_ms
from conformance.oracle.fences import Fences
from conformance.oracle.finding import Finding, Oracle, oracle_of
from conformance.oracle.job_times import JobTimes
from conformance.oracle.known_node import KnownNode
from conformance.oracle.link_log import Log, Message
from conformance.oracle.message_rules import ROLE_OF, MessageRules
from conformance.oracle.motion import Motion
from conformance.oracle.node_state import NodeState
from conformance.oracle.order_checks import Arrived, Judged
from conformance.oracle.order_reading import LOOKED_BACK_MS, OrderReading, Stalled
from conformance.oracle.state_set import StateSet
from conformance.oracle.timing import Timing
from conformance.oracle.uptime_settings import UptimeSettings
from protocol.counting import UPTIME_MODULUS
from protocol.site import Site
from protocol.specification import specification
from protocol.topics import Topic

ANSWER_GRACE_MS = 1300
"""What a link, a broker and a busy machine may add to the time of an answer, there and back."""
OVERTAKEN_MS = 1000
"""So long before a new connection shows to a listener an order may have come over it."""
AT_ONCE = 2
"""So many orders without an answer are more than one at a time."""
AS_SENDER = {"ENC-12": "ENC-01"}
"""ENC-12 binds who receives: who sends such a payload breaks the rule of what a payload is."""
UNDISTURBED = {"lost": "LNK-03", "restarted": "MSG-05"}
"""What is told only of a node that nobody disturbs: never in a conformance run, which cuts links and resets nodes."""
DEAD = "the node does not answer an ask any more"


class NodeJudge:
    """Judges one node. `findings` grows; `take` reads what is new in the log."""

    def __init__(
        self,
        log: Log,
        site: Site,
        name: str,
        rate: float = 0,
        *,
        slow: float = 1.0,
        grace_ms: float = ANSWER_GRACE_MS,
        undisturbed: bool = False,
        listening: bool = False,
        stalled: Stalled = lambda _begin_ms, _end_ms: 0.0,
        carried: Stalled = lambda _begin_ms, _end_ms: 0.0,
        damaged: Damaged = lambda: 0,
    ) -> None:
        """More than `rate` orders in a second may be lost without an answer; 0: none may ever be.

        `slow` stretches the time that an answer may take, and `grace_ms` is what the way there and back adds to it.
        `undisturbed`: nobody cuts the link or resets the node unless `excuse` or `restarted` says so.
        `listening`: the log is what a subscriber heard (`heard_node`): nobody knows whether an order reached the node,
        nor when something was said.
        `stalled` tells for how many ms the test machine stood still between two instants: no time is judged by that.
        `carried` tells for how many ms of that time the node's serial line was at work: so much of the time of an
        answer is the line's. `damaged` tells how often something was seen to be lost on a serial line.
        """
        self._log, self._site, self._node = log, site, site.nodes[name]
        self._undisturbed, self._stalled = undisturbed, stalled
        self._disturbances = Disturbances(damaged)
        answer_ms = inf if listening else specification().most_ms("answer") * slow + grace_ms
        self._answer_time = AnswerTime(answer_ms, self._disturbances, stalled, carried)
        self._topic = str(Topic(site.name, name, "job-order"))
        self._everyone = str(Topic(site.name, specification().everyone, "job-order"))
        self._listening = listening
        self._topics = specification().states_of(self._node.roles)
        self.findings: list[Finding] = []
        self.judged: Counter[str] = Counter()
        """How often each requirement could be judged."""
        self.rules = MessageRules(site, name, self.tell, self.judged)
        self._timing = Timing(self.tell, self.judged, stalled, carried)
        self._settings = UptimeSettings(self._timing)
        self._reading = OrderReading(self._node, self._everyone, rate, self._timing, stalled)
        self._motion = Motion(self.tell, self.judged)
        self._fences = Fences(self.tell, self.judged)
        self._times = JobTimes(self._node, self.tell, self.judged)
        self._attribution = Attribution()
        self._begin()
        self._read = 0

    def restarted(self) -> None:
        """The node was reset on purpose: nothing is known, and what its old connection still brings is past."""
        self._begin()
        self._old = self._log.traces[-1].connection if self._log.traces else 0

    def went_on(self) -> None:
        """The node goes on, but what it did is forgotten."""
        self._begin()

    def _begin(self) -> None:
        self._read, self._old = self._log.end, 0
        self._set = StateSet(Judged(self._site, self._node), self.judged)
        self.reports = 0
        """Reports so far: while they come a node is at work."""
        self._fences.answered = 0
        self._disturbances.forget(always=self._listening)
        self._connection = 0
        self._speaks = self._lost = False
        """Whether the node has spoken on this connection, and whether the one before was lost for nothing."""
        self._settings.forget()
        self._reading.forget()
        self._steady_ms = 0.0
        self._attribution.forget()
        for part in (self.rules, self._motion, self._fences, self._times):
            part.new_boot()
        self._timing.set_anew()

    def excuse(self, at_ms: float) -> None:
        """The link is being disturbed: orders may be lost and the node may go away for a while."""
        self._disturbances.link_fault(at_ms)
        self._timing.disturbed()
        self._set.reconnected()

    def overrun(self, at_ms: float) -> None:
        """More was sent at once than a line carries: answers and heartbeats may be late, and no order is lost by it."""
        self._disturbances.overrun(at_ms)
        self._timing.disturbed()

    @property
    def silent_is_fine(self) -> bool:
        """Whether a fault of the link may still keep the node away."""
        return bool(self._log.traces) and self._disturbances.ends_behind(self._log.traces[-1].at_ms)

    # ---- what is known, for whoever sends

    @property
    def boot(self) -> int:
        """The node's boot; -1 before it has said one."""
        return self._set.boot

    @property
    def states(self) -> Mapping[str, Mapping[str, Any]]:
        """The newest message of each name in this boot."""
        return self.rules.states

    @property
    def sure(self) -> bool:
        """Whether all that the next order is checked against is known."""
        return self._set.sure

    @property
    def lost(self) -> bool:
        """Whether nothing is known of the node by now."""
        return self._set.widened

    @property
    def may_be(self) -> list[NodeState]:
        """Everything that the node may be, with all that came handled or not."""
        return self._set.states

    @property
    def fenced(self) -> int:
        """The token of the newest ask that was answered."""
        return self._fences.answered

    @property
    def faults(self) -> int:
        """The count of faults that the node said last."""
        return int(self.states.get("fault", {}).get("faults", 0))

    @property
    def known(self) -> KnownNode:
        """What a sender has to know."""
        newest = self._set.newest()
        return KnownNode(self._set.boot, self.sure, newest.mark or 0, newest.holds or 0, newest.job or None)

    def uptime_at(self, at_ms: float) -> int:
        """The uptime at an instant of the bench's clock."""
        return self._timing.at(at_ms) % UPTIME_MODULUS

    # ---- findings

    def take(self, _now_ms: float = 0.0) -> None:
        """Judge all messages that are new.

        Where something was lost on a serial line meanwhile, it may have been lost before each of them.
        """
        self._disturbances.look()
        for message in self._log.since(self._read):
            self._read = message.number
            if message.trace.connection <= self._old:
                continue
            # A listener knows not over which connection an order came.
            if message.from_node or not self._listening:
                self._connected(message)
                if message.trace.connection < self._connection:
                    continue
            if self._disturbances.lossy:
                self._lost_some()
            if message.from_node:
                self._stood_still(message)
                self._said(message)
            elif message.topic in (self._topic, self._everyone):
                self._came(message)
        if self._disturbances.lossy:
            self._lost_some()

    def _stood_still(self, message: Message) -> None:
        """What was sent while node or kit stood still reaches the node all at once, faster than any rate [ORD-19]."""
        if not self._listening and self._set.backlog >= AT_ONCE:
            since_ms = max(self._set.waits_since_ms, message.at_ms - LOOKED_BACK_MS)
            if self._stalled(since_ms, message.at_ms):
                self._set.doubt()

    def missed_reports(self, at_ms: float) -> None:
        """Reports may have been said by then that nobody heard, but no order is missing."""
        self._set.reconnected(at_ms - OVERTAKEN_MS)
        self._reports_lost()

    def _reports_lost(self) -> None:
        self._fences.reconnected()
        self._times.reconnected()

    def settle(self, before_ms: float) -> None:
        """What came before an instant, heard or not, has been handled by now or never will be."""
        self._set.settle(before_ms)

    def _lost_some(self) -> None:
        """Orders and messages of the node may be lost, and nobody can tell which."""
        self._set.lost_some()
        self.rules.lost_some()
        self._timing.disturbed()
        self._reports_lost()
        self._motion.look(self._set.states, by_hand=self._by_hand)
        self._settings.lost()

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

    def _wrong(self, mismatch: Mismatch | None, message: Message) -> None:
        if mismatch is None:
            return
        requirement, what = self._attribution.of(mismatch, message, bad=self._fences.bad)
        self.tell(requirement, what, oracle_of(requirement), message.number)

    # ---- the link

    def _connected(self, message: Message) -> None:
        connection = message.trace.connection
        if connection <= self._connection:
            return
        if self._connection:
            sound = not self._stalled(message.at_ms - LOOKED_BACK_MS, message.at_ms)
            self._lost = self._undisturbed and sound and not self._disturbances.excuses(message.at_ms)
            self._disturbances.connected(message.at_ms)
            self._reports_lost()
            self._set.reconnected(message.at_ms - OVERTAKEN_MS if self._listening else inf)
            self._motion.look(self._set.states, by_hand=self._by_hand)
        self._timing.disturbed()
        self.rules.reconnected()
        self._attribution.reconnected()
        self._settings.lost()
        self._connection, self._speaks = connection, False

    @property
    def _by_hand(self) -> bool:
        return self.states.get("crane-status", {}).get("mode") == "manual"

    # ---- orders

    def _came(self, message: Message) -> None:
        body = message.body
        self._attribution.came(body, retained=message.retain)
        if message.retain:
            return
        order = Arrived(
            message.number,
            message.at_ms,
            body,
            readable=self._reading.readable(message, self._log.minor),
            sure=self._arrives(message),
            late=None if self._settings.open else self._reading.late(message),
            bench=self.states.get("node-status", {}).get("bench"),
            minor=self._log.minor,
        )
        self._set.arrived(order)
        self._fences.came(order)
        if not body:
            return
        act = body["act"]
        self._motion.came(act)
        self.rules.came(body)
        if act == "set-uptime":
            self._settings.came(body, message.at_ms)
            self._times.uptime_set()
        elif "deadline" in body:
            self._times.came(body["id"], body["deadline"])
        elif act == "stimulus":
            self._steady_ms = max(self._steady_ms, message.at_ms + played_ms(body))

    def _arrives(self, message: Message) -> bool:
        """ORD-19: what comes too fast may be lost, and what is beyond its buffer too [ENC-08]."""
        if self._reading.too_fast(message, self._set.backlog):
            self._set.doubt()
            return False
        return message.trace.size <= self._node.buffer and not self._disturbances.delays(message.at_ms)

    # ---- what the node says

    def _said(self, message: Message) -> None:
        for finding in message.findings:
            what = f"in its {message.name or 'message'}: {finding.what}"
            requirement = AS_SENDER.get(finding.requirement, finding.requirement)
            self.tell(requirement, what, Oracle.MESSAGE, message.number)
        body = message.body
        if not body or message.name in ("job-order", "yard-map", "") or body.get("state") == "off":
            return
        if getattr(message.trace.packet, "dup", False):
            return  # a second delivery, and no second message
        self._opens(message)
        self._timed(message)
        self._set.reports.minor = self._log.minor
        self._set.steady = message.at_ms > self._steady_ms
        self._wrong(self._set.overdue(message.at_ms, self._answer_time.within_ms(message.at_ms)), message)
        if message.name == "job-report":
            self.reports += 1
            self._wrong(self._set.report(body), message)
        elif message.name in self._topics:
            self._wrong(self._set.told(message.name, body), message)
        self.rules.said(message, steady=self._set.steady)
        self._motion.look(self._set.states, by_hand=self._by_hand)
        if message.name == "node-status":
            self._motion.said(body, message.number)
            self._motion.look(self._set.states, by_hand=self._by_hand)
        self._attribution.said(message)
        self._times.said(message, ROLE_OF)
        self._fences.said(message)

    def _opens(self, message: Message) -> None:
        """The first word of a connection, and whose boot it is."""
        body, first = message.body, not self._speaks
        if first:
            self.judged["LNK-08"] += 1
            if message.name != "node-status" and not self._disturbances.lossy:
                what = f"{message.name} is the first message of its connection"
                self.tell("LNK-08", what, Oracle.CONNECTION, message.number)
            self._timing.begins(self._topics, body.get("uptime", 0))
        self._speaks = True
        self.judged["MSG-04"] += 1
        if body["boot"] == self._set.boot:
            if first and self._lost:
                what = "the node lost its connection though the link was sound"
                self.tell(UNDISTURBED["lost"], what, Oracle.CONNECTION, message.number)
            return
        if not first and not self._undisturbed:
            what = f"boot {self._set.boot} became {body['boot']} within a connection"
            self.tell("MSG-04", what, Oracle.RESTART, message.number)
        if self._set.boot >= 0 and self._undisturbed and (self._lost or not first):
            cause = body.get("reset", self.states.get("node-status", {}).get("reset", "unknown"))
            what = f"the node restarted by itself, reset cause {cause!r}"
            self.tell(UNDISTURBED["restarted"], what, Oracle.RESTART, message.number)
        self.rules.new_boot()
        for part in (self._motion, self._fences, self._times):
            part.new_boot()
        self._timing.set_anew()
        self._timing.begins(self._topics, body.get("uptime", 0))
        self._settings.new_boot()
        known = self._set.boot >= 0 or not self._listening  # else it may have gone on for hours
        fresh = first and known and message.name == "node-status" and body["link"] <= 1
        self._set.begin(body["boot"], fresh=fresh)

    def _timed(self, message: Message) -> None:
        body = message.body
        told = message.name == "job-report" and body["act"] == "set-uptime"
        if told:
            self._settings.reported(message)
        excused = self._disturbances.excuses(message.at_ms)
        self._timing.said(message, setting=self._settings.open, told=told, excused=excused)
        self._set.reports.uptime_known = not self._settings.open
