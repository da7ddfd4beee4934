"""Which requirement a wrong message breaks, where what came and what was said just before tells more than it alone."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from conformance.oracle.answers import Mismatch
from conformance.oracle.link_log import Message

Body = Mapping[str, Any]
ENDS_NO_JOB = {"hold": "HLD-02", "claim": "CLM-03", "resume": "HLD-05"}
"""What ends no job, and the requirement that says so."""


class Attribution:
    """Follows one boot of a node."""

    def __init__(self) -> None:
        """Nothing came yet."""
        self.forget()

    def forget(self) -> None:
        """Nothing is known."""
        self._retained: set[int | None] = set()
        """Ids and tokens of orders that came with the retain flag."""
        self._act = ""
        """What the newest order asks for."""
        self._deed = ""
        """What the newest order of this connection asks for that is no ask."""
        self._id: int | None = None
        self._boot: int | None = None
        self.reconnected()

    def reconnected(self) -> None:
        """What was said over another connection is no word of now."""
        self._reported: int | None = None
        """The mark in the newest report."""
        self._held = False
        self._deed = ""

    def came(self, body: Body, *, retained: bool) -> None:
        """An order came."""
        if retained:
            self._retained.add(body.get("id", body.get("token")))
        elif body:
            self._act = body["act"]
            self._deed = self._deed if self._act == "ask" else self._act
            self._id = body.get("id", self._id)
            self._boot = body.get("boot", self._boot)

    def said(self, message: Message) -> None:
        """The node has said this, and it was judged."""
        body = message.body
        if message.name == "job-report":
            self._reported = body["mark"]
        self._held = body.get("held", self._held)

    def of(self, mismatch: Mismatch, message: Message, *, bad: bool) -> tuple[str, str]:
        """The requirement that is broken, and what was seen; `bad`: an order that cannot be read came just before."""
        requirement, what, body = mismatch.requirement, mismatch.what, message.body
        in_state = message.name != "job-report"
        match requirement:
            case "ORD-14" if body.get("id", body.get("token")) in self._retained:
                return "LNK-14", what + "; it came with the retain flag only"
            case "ORD-14" if bad:
                return "ENC-10", what + ", after an order that cannot be read"
            case "ORD-08":
                return self._of_mark(what, body, in_state=in_state)
            case "HLD-05" if in_state and self._deed == "hold":
                return "HLD-01", what + ", and a hold came last"
            case "HLD-01" if in_state and self._held and what.startswith("held is false"):
                return "HLD-05", what + ", and it was held just before"
            case "ORD-15" if self._deed in ENDS_NO_JOB and _word(body, in_state) == "cancelled":
                return ENDS_NO_JOB[self._deed], what + f", and a {self._deed} came last"
            case "ORD-06" if in_state and self._id != body.get("job"):
                return "MSG-10", what + ", and no repeat of it came"
        return requirement, what

    def _of_mark(self, what: str, body: Body, *, in_state: bool) -> tuple[str, str]:
        """What is broken where the mark is another than what came makes it."""
        if in_state and self._reported is not None and body["mark"] < self._reported:
            return "MSG-11", what + f", as the report before says it: {self._reported}"
        if self._act == "ask":
            return "ORD-04", what + ", and an ask came last"
        if self._boot not in (None, body["boot"]):
            return "ORD-05", what + ", and an order for another boot came last"
        return "ORD-08", what


def _word(body: Body, in_state: bool) -> str:
    """The state of the job that a message tells."""
    return str(body.get("job_state" if in_state else "state", ""))
