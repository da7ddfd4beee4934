"""One session and the node at its other end, said message by message: time passes as far as a test wants."""

from __future__ import annotations

from random import Random
from typing import Any

from protocol.counting import UPTIME_MODULUS
from protocol.site_file import scenario
from reference_node.supervisor.observe.session import Session

STATES = ("node-status", "crane-status", "fault")


class OneNode:
    """Crane north as it may be, and its supervisor's session. `uptime` runs with the supervisor's clock."""

    def __init__(self, *, boot: int = 7, mark: int = 0, uptime: int = 50_000) -> None:
        self.session = Session(scenario().nodes["north"], Random(5))
        self.now_ms, self._started = 1_000, 1_000 - uptime
        self.boot, self.mark = boot, mark
        self.job: tuple[int, str] | None = None
        self.claimant: int | None = None
        self.minor = 1

    @property
    def uptime(self) -> int:
        return (self.now_ms - self._started) % UPTIME_MODULUS

    def later(self, ms: int) -> None:
        self.now_ms += ms

    def reset(self, boot: int) -> None:
        self.boot, self.mark, self.job, self._started = boot, 0, None, self.now_ms

    # ------------------------------------------------------------ what the node says
    def say(self, message: str, *, retain: bool = False, **fields: Any) -> None:
        body = {"boot": self.boot, "seq": 0, "uptime": self.uptime, **fields}
        self.session.hear(message, body, retain=retain, now_ms=self.now_ms)

    def state(self) -> None:
        """All state messages."""
        job: dict[str, Any] = {"job": self.job[0], "job_state": self.job[1]} if self.job is not None else {}
        self.say("node-status", mark=self.mark, state="on", minor=self.minor)
        self.say("crane-status", mark=self.mark, held=False, holds=0, mode="ready", load="none", **job)
        self.say("fault", active=[], faults=0)

    def report(self, act: str, **fields: Any) -> None:
        self.say("job-report", mark=self.mark, act=act, **{"state": "done", **fields})

    # ------------------------------------------------------------ what it is sent
    def due(self) -> list[dict[str, Any]]:
        return [dict(body) for body in self.session.due(self.now_ms)]

    def answers(self, *, hears: bool = True) -> list[dict[str, Any]]:
        """Everything that is due now reaches the node, and asks and claims are answered; gives what was due."""
        due = self.due()
        for body in due if hears else ():
            if body["act"] == "ask":
                self.state()
                self.report("ask", token=body["token"])
            elif body["act"] == "claim":
                if body["id"] > self.mark:
                    self.mark, self.claimant = body["id"], body.get("token")
                token = {"claimant": self.claimant} if self.minor else {}
                self.report("claim", id=body["id"], order_boot=self.boot, **token)
                self.state()
        return due

    def owned(self) -> Session:
        """Asked, answered, claimed, and all of it said after the claim."""
        for _ in range(3):
            self.answers()
        assert self.session.owned
        return self.session

    def owned_again(self) -> Session:
        """After a reset: the node says so, and is asked until it is owned in this boot."""
        self.state()
        for _ in range(5):
            self.answers()
        assert self.session.owned
        assert self.session.boot == self.boot
        return self.session
