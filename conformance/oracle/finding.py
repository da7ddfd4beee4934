"""Something that a node did wrong while it was fuzzed."""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import Enum


class Oracle(Enum):
    """By what a finding was noticed; the value is how reports say it."""

    MESSAGE = "a message that is not valid"
    RULE = "what its messages say together"
    ANSWER = "an answer that is missing or wrong"
    HEARTBEAT = "the heartbeat"
    RESTART = "the boot and the reset cause"
    CONNECTION = "the connection"
    UPTIME = "the uptime against our clock"
    JOB = "a job done twice or out of order"
    HOLD = "the hold that it was given"
    MOTION = "the count of motor starts"
    MARK = "the mark"
    FAULT = "the fault that must be raised"
    MEMORY = "the free memory that it reports"


BY_ORACLE = {
    "ORD-08": Oracle.MARK, "CLM-04": Oracle.MARK, "HLD-01": Oracle.HOLD, "HLD-05": Oracle.HOLD,
    "ORD-09": Oracle.JOB, "ORD-06": Oracle.JOB, "ORD-15": Oracle.JOB, "CRN-02": Oracle.RULE, "BER-02": Oracle.RULE,
    "SHT-02": Oracle.RULE, "CRN-01": Oracle.RULE, "BER-01": Oracle.RULE, "SHT-01": Oracle.RULE,
    "BER-06": Oracle.RULE, "FLT-01": Oracle.FAULT, "ORD-04": Oracle.MARK, "FLT-04": Oracle.FAULT,
}  # fmt: skip


def oracle_of(requirement: str) -> Oracle:
    """By what a breach of a requirement is noticed in an answer or a state."""
    return BY_ORACLE.get(requirement, Oracle.ANSWER)


@dataclass(frozen=True, slots=True)
class Finding:
    """What was seen, the requirement that it goes against, and what noticed it."""

    requirement: str
    what: str
    oracle: Oracle
    at: int = 0
    """Number of the trace at which it showed; 0 for what did not come."""

    @property
    def key(self) -> str:
        """The same for findings that differ in their numbers only: those are one group."""
        return self.requirement + " " + re.sub(r"-?\d+(\.\d+)?", "#", self.what)

    def __str__(self) -> str:
        return f"{self.requirement}: {self.what}"
