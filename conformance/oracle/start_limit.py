"""The deadline of a job limits its start [ORD-23]: what is accepted ends when it passes, and never starts behind it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Container

from conformance.oracle.finding import Oracle
from conformance.oracle.link_log import Message
from protocol.counting import uptime_difference
from protocol.specification import specification

LATE_MS = 400
"""By so much a loop, and the report of a start, may be behind the deadline: twice the time of an answer."""
Tell = Callable[[str, str, Oracle, int], None]


class StartLimit:
    """Follows the job of one boot. `tell` takes requirement, what was seen, oracle and trace number."""

    def __init__(self, tell: Tell, counted: Counter[str]) -> None:
        """`counted` takes how often the requirement was judged."""
        self._tell, self._counted = tell, counted
        self.new_boot()

    def new_boot(self) -> None:
        """The node speaks in another boot."""
        self._deadlines: dict[int, int | None] = {}
        self._accepted: int | None = None

    def reconnected(self) -> None:
        """Reports were lost perhaps: when the job started is not known."""
        self._accepted = None

    def uptime_set(self) -> None:
        """The uptime is being set: what was due by it is so no more, and a repeat makes no new deadline."""
        self._deadlines = dict.fromkeys(self._deadlines)
        self._accepted = None

    def came(self, id_: int, deadline: int) -> None:
        """A job was ordered; None where two came with one id."""
        same = self._deadlines.get(id_, deadline) == deadline
        self._deadlines[id_] = deadline if same else None
        if len(self._deadlines) > 64:
            del self._deadlines[next(iter(self._deadlines))]

    def said(self, message: Message, carriers: Container[str]) -> None:
        """Judge what says how a job stands."""
        body = message.body
        if message.name == "job-report" and body["act"] in specification().jobs:
            job, word = body["id"], body["state"]
        elif message.name in carriers and "job" in body:
            job, word = body["job"], body["job_state"]
        else:
            return
        deadline = self._deadlines.get(job)
        if deadline is not None and (word, body.get("reason")) == ("failed", "late"):
            self._counted["ORD-23"] += 1
            left = uptime_difference(deadline, body["uptime"])
            if left > 0:
                what = f"job {job} failed as late {left} ms before its deadline"
                self._tell("ORD-23", what, Oracle.JOB, message.number)
        if deadline is not None and word in ("accepted", "running"):
            self._judge(message, job, word, deadline)
        if word == "accepted":
            self._accepted = job
        elif job == self._accepted:
            self._accepted = None

    def _judge(self, message: Message, job: int, word: str, deadline: int) -> None:
        begins = word == "running" and job == self._accepted
        if word != "accepted" and not begins:
            return
        self._counted["ORD-23"] += 1
        behind = uptime_difference(message.body["uptime"], deadline)
        if behind > LATE_MS:
            what = f"job {job} is {word!r} {behind} ms behind its deadline, and had not started before"
            self._tell("ORD-23", what, Oracle.JOB, message.number)
            self._deadlines[job] = None
