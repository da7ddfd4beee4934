"""What must be so by the time an ask is answered: bad messages told of, faults and jobs in step, memory kept."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping
from typing import Any

from conformance.oracle.finding import Oracle
from conformance.oracle.link_log import Message
from conformance.oracle.memory_trend import MemoryTrend
from conformance.oracle.order_checks import Arrived
from protocol.counting import uptime_difference
from protocol.specification import FINAL, OPEN, STATE_OF_ROLE, specification

BAD_MESSAGE_MS = 1500
"""So long after an order that cannot be read its fault has been said, even if one was said just before [ENC-11]."""
END_MS = 400
"""By so much of the node's own time the report of an end may be behind the state that says it [ORD-16]."""
ASKS = 64
CARRIERS = frozenset(STATE_OF_ROLE.values())
Tell = Callable[[str, str, Oracle, int], None]


class Fences:
    """Follows one boot. `tell` takes requirement, what was seen, oracle and trace number."""

    def __init__(self, tell: Tell, counted: Counter[str]) -> None:
        """`counted` takes how often each requirement was judged."""
        self._tell, self._counted = tell, counted
        self.answered = 0
        """The token of the newest ask that was answered."""
        self._memory = MemoryTrend()
        self.new_boot()

    def new_boot(self) -> None:
        """The node speaks in another boot."""
        self._memory.clear()
        self._last: dict[str, Message] = {}
        self.reconnected()

    def reconnected(self) -> None:
        """The connection was lost: what was on its way may never be answered."""
        self._asks: dict[int, Arrived] = {}
        self._bad: Arrived | None = None
        self._told_bad = False
        self._halted: tuple[int, int] | None = None
        """A job that was running when a fault of level halt was told, and the trace of that."""
        self._failed: tuple[int, int, int] | None = None
        """A job that failed by a fault, the count of faults when it was taken, and the trace of its report."""
        self._taken: tuple[int, int] | None = None
        """The job, and the count of faults when it was taken."""
        self._unreported = 0
        self._why_failed = "FLT-02"
        self._running: int | None = None
        self._told: dict[int, str] = {}
        """What reports of this connection said last of a job."""
        self._over: tuple[int, int] | None = None
        """A job that a state said to be over before a report did, and the uptime then."""
        self._acts: set[str] = set()
        """Acts of the orders since the last fence."""

    @property
    def bad(self) -> bool:
        """Whether an order came that cannot be read."""
        return self._bad is not None

    def came(self, order: Arrived) -> None:
        """An order came."""
        self._acts.add(order.act)
        if order.act == "set-uptime":
            self._over = None
        if order.act == "ask":
            self._asks[order.body["token"]] = order
            if len(self._asks) > ASKS:
                del self._asks[next(iter(self._asks))]
        if order.act == "reset-fault":
            self._bad = None  # it may have ended the fault before it was told
        if order.readable is False and order.sure:
            self._bad, self._told_bad = order, False

    def said(self, message: Message) -> None:
        """Take in what the node says; at the answer to an ask, judge."""
        body, name = message.body, message.name
        if name == "fault":
            self._fault(message)
        elif name == "job-report":
            self._report(message)
        elif name in CARRIERS:
            self._carrier(body)
        self._last[name] = message
        if name == "job-report" and body["act"] == "ask":
            asked = self._asks.pop(body["token"], None)
            if asked is not None:
                self._fence(message, asked)
            self.answered = int(body["token"])

    def _fault(self, message: Message) -> None:
        body, before = message.body, self._last.get("fault")
        if "bad-message" in body["active"] or body.get("changed") == "bad-message":
            self._told_bad = True
        risen = before is not None and body["faults"] != before.body["faults"]
        if risen and self._running is not None:
            self._halted = self._running, message.number

    def _carrier(self, body: Mapping[str, Any]) -> None:
        job = body.get("job")
        if job is not None and body["job_state"] in FINAL and self._told.get(job) in OPEN and not self._over:
            self._over = job, body["uptime"]

    def _changed(self, message: Message) -> None:
        """ORD-16: each change of a job's state is reported, and when it happens."""
        body = message.body
        job, word, before = body["id"], body["state"], self._told.get(body["id"])
        if before is None or word == before or word not in FINAL:
            return
        self._counted["ORD-16"] += 1
        if (before, word) == ("accepted", "done"):
            what = f"job {job} is done, and the last report said 'accepted': no report said 'running'"
            self._tell("ORD-16", what, Oracle.JOB, message.number)
        if self._over is not None and self._over[0] == job:
            behind = uptime_difference(body["uptime"], self._over[1])
            if behind > END_MS:
                what = (
                    f"the report that job {job} is {word!r} comes {behind} ms behind the state that says it"
                )
                self._tell("ORD-16", what, Oracle.JOB, message.number)
            self._over = None

    def _report(self, message: Message) -> None:
        body = message.body
        if body["act"] == "cancel" and body["state"] == "cancelled" and self._told.get(body["id"]) in OPEN:
            # The answer to a cancel stands under the id of the job that it ends (ORD-14, ORD-17): a report of its end.
            self._changed(message)
            self._running, self._told[body["id"]] = None, body["state"]
            return
        if body["act"] not in specification().jobs or body["state"] == "refused":
            return
        faults = self._last["fault"].body["faults"] if "fault" in self._last else None
        if body["state"] == "accepted" and faults is not None and (self._taken or (0,))[0] != body["id"]:
            self._taken = body["id"], faults
        self._changed(message)
        self._running = body["id"] if body["state"] == "running" else None
        self._told[body["id"]] = body["state"]
        by_fault = body["state"] == "failed" and body.get("reason") != "late"
        if by_fault:
            ends = (("claim", "CLM-03"), ("hold", "HLD-02"))
            self._why_failed = next((one for act, one in ends if act in self._acts), "FLT-02")
        if by_fault and self._failed is None and self._taken and self._taken[0] == body["id"]:
            self._failed = (*self._taken, message.number)

    def _fence(self, message: Message, asked: Arrived) -> None:
        self._unread(message, asked)
        self._halts(message, asked)
        self._ended(message)
        self._acts.clear()
        status = self._last.get("node-status")
        if status is not None and (sinks := self._memory.sinks(status.body.get("memory"))):
            self._tell("MSG-13", sinks, Oracle.MEMORY, message.number)

    def _unread(self, message: Message, asked: Arrived) -> None:
        bad = self._bad
        if bad is None or asked.at_ms - bad.at_ms < BAD_MESSAGE_MS:
            return
        self._counted["ENC-10"] += 1
        if not self._told_bad:
            what = "a bad message came, and no fault 'bad-message' was raised"
            self._tell("ENC-10", what, Oracle.FAULT, message.number)
        self._bad = None

    def _ended(self, message: Message) -> None:
        """ORD-16: every change of a job's state is reported; its end is, where its beginning was."""
        carrier = next((self._last[name].body for name in CARRIERS & set(self._last)), {})
        job, word = carrier.get("job", 0), carrier.get("job_state", "")
        told = self._told.get(job)
        self._told = {} if told is None else {job: told}
        if told is None or word not in FINAL:
            return
        self._counted["ORD-16"] += 1
        if told == word or self._unreported != job:
            self._unreported = 0 if told == word else job  # its report may be just behind this answer
        else:
            what = f"job {job} is {word!r}, and the last report said {told!r}"
            self._tell("ORD-16", what, Oracle.JOB, message.number)
            del self._told[job]

    def _halts(self, message: Message, asked: Arrived) -> None:
        """FLT-02: a fault of level halt and the end of the open job go together."""
        carrier = next((self._last[name].body for name in CARRIERS & set(self._last)), {})
        if self._halted is not None and asked.number > self._halted[1]:
            self._counted["FLT-02"] += 1
            if carrier.get("job") == self._halted[0] and carrier.get("job_state") in OPEN:
                what = (
                    f"a fault of level halt came, and job {self._halted[0]} is {carrier['job_state']!r} still"
                )
                self._tell("FLT-02", what, Oracle.FAULT, message.number)
            self._halted = None
        if self._failed is not None and asked.number > self._failed[2]:
            self._counted["FLT-02"] += 1
            if "fault" in self._last and self._last["fault"].body["faults"] == self._failed[1]:
                what = f"job {self._failed[0]} failed, and the count of faults stayed {self._failed[1]}"
                self._tell(self._why_failed, what, Oracle.FAULT, message.number)
            self._failed = None
