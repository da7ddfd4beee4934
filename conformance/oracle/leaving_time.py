"""How long a train that leaves has to be gone before a berth says so: the site file's `clear_ms` [BER-02]."""

from __future__ import annotations

from collections import Counter

from conformance.oracle.finding import Oracle
from conformance.oracle.link_log import Message
from conformance.oracle.start_limit import Tell
from protocol.counting import uptime_difference

OWN_CLOCK = 0.95
"""What a node times by one of its clocks and says by another may be so much less."""


class LeavingTime:
    """Follows the depart of one boot. No sensor has changed by the train before the depart is 'running'."""

    def __init__(self, clear_ms: int, tell: Tell, counted: Counter[str]) -> None:
        """`tell` takes requirement, what was seen, oracle and trace number; `counted` how often it was judged."""
        self._clear_ms, self._tell, self._counted = clear_ms, tell, counted
        self.forget()

    def forget(self) -> None:
        """When the depart began is not known: another boot, a report that may be lost, a clock that is set."""
        self._accepted: int | None = None
        self._began: tuple[int, int] | None = None

    def said(self, message: Message) -> None:
        """Judge a report of a depart."""
        body = message.body
        if message.name != "job-report" or body["act"] != "depart":
            return
        job, word = body["id"], body["state"]
        if word == "accepted":
            self._accepted = job
        elif word == "running" and job == self._accepted:
            self._accepted, self._began = None, (job, body["uptime"])
        elif word == "done" and self._began is not None and self._began[0] == job:
            took_ms = uptime_difference(body["uptime"], self._began[1])
            self._began = None
            self._counted["BER-02"] += 1
            if took_ms < self._clear_ms * OWN_CLOCK:
                what = f"the train is 'gone' {took_ms} ms after the depart began: no sensor may change for"
                self._tell("BER-02", f"{what} {self._clear_ms} ms before", Oracle.JOB, message.number)
