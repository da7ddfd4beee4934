"""What is known of a node between two fences, and what follows from it for the next order.

Written from the tables and requirements, not with the guards of `protocol.guards`, which nodes use too.
Where an answer depends on how far a job has come by now, nothing is expected.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from conformance.oracle.site_limits import impossible
from protocol.counting import next_count, uptime_difference
from protocol.site import NodeSite
from protocol.specification import OPEN, specification

Body = Mapping[str, Any]
SURELY_LATE_MS = 1500
"""Beyond this a deadline has passed, whatever the link did to the order."""


@dataclass(slots=True)
class Expected:
    """An order on its way: what its report must say, where that is certain."""

    act: str
    under: tuple[int | None, ...]
    """The ids that its report may carry."""
    token: int | None
    order_boot: int | None
    number: int
    at_ms: float
    states: tuple[str, ...] = ()
    """Every state that the report may say; () for any."""
    reason: str = ""
    """The reason that it must give; '' for any."""
    requirement: str = "ORD-01"
    strict: bool = True
    """Whether a report that fits can be no report of anything else."""

    def fits(self, report: Body) -> bool:
        """Whether `report` answers this order."""
        if report.get("act") != self.act:
            return False
        if self.act == "ask":
            return report.get("token") == self.token
        return report.get("id") in self.under and report.get("order_boot") == self.order_boot


@dataclass(slots=True)
class Known:
    """The node, as far as it is known; `sure` is false until the first fence after a start or a lost link."""

    node: NodeSite
    sure: bool = False
    boot: int = -1
    low: int = 0
    mark: int = 0
    """The mark lies between `low` and this."""
    before: int = 0
    """The mark before the order that raised it last, as far as known."""
    held: bool = False
    holds: int = 0
    hold_token: int | None = None
    """The token of the newest hold."""
    bench: bool = False
    minor: int | None = None
    """The minor version that it says; None until it has said one."""
    job: int | None = None
    """The job at the last fence."""
    job_open: bool = False
    taken: set[int] = field(default_factory=set)
    """Orders since the fence that may have become the job."""
    may_move: bool = True
    starts: int | None = None
    uptime: int = 0
    uptime_at_ms: float = 0.0

    def knows(self, requirement: str) -> bool:
        """Whether the minor version that the node says has this requirement."""
        return requirement in specification().at(self.minor).requirements

    def uptime_at(self, at_ms: float) -> int:
        """The uptime at an instant of the bench's clock."""
        return self.uptime + int(at_ms - self.uptime_at_ms)

    def order(self, body: Body, number: int, at_ms: float) -> Expected | None:
        """Take in a readable order; gives what must be answered. A hold is answered by state alone."""
        act = str(body["act"])
        if act == "hold":
            self._hold(body.get("token"))
            return None
        expected = Expected(
            act, (body.get("ref"), body.get("id")), body.get("token"), body.get("boot"), number, at_ms
        )
        if act == "ask":
            expected.states = ("done",)
        elif not self.sure:
            self._unsure(body)
            expected.strict = act not in specification().jobs and act != "cancel"
        else:
            self._checked(body, expected, at_ms)
        return expected

    def _hold(self, token: int | None) -> None:
        """A repeat of the hold before may be counted or not: that it is not, is asked by a SHOULD alone [HLD-08]."""
        if token is not None and token == self.hold_token:
            self.sure = False
        self.hold_token = token
        self.held, self.holds = True, next_count(self.holds)

    def _unsure(self, body: Body) -> None:
        self.mark = max(self.mark, body["id"])
        self.may_move = True

    def _checked(self, body: Body, expected: Expected, at_ms: float) -> None:
        """The checks of `tables/order.toml` in their order, as far as they can be decided from here."""
        id_, act = body["id"], body["act"]
        if body["boot"] != self.boot:
            _must(expected, "refused", "wrong-boot", "ORD-05")
        elif act == "claim":
            self._claim(id_, expected)
        elif id_ == self.job or id_ in self.taken:
            expected.strict = False
            if not self.taken:
                expected.states, expected.requirement = (*OPEN, "done", "failed", "cancelled"), "ORD-06"
        elif act == "cancel" and body["ref"] in (self.job, *self.taken):
            expected.strict = False
            if self.taken:
                self._raise(id_, certain=False)
        elif id_ <= self.low:
            _must(expected, "refused", "stale", "ORD-07")
        elif id_ <= self.mark:
            self._raise(id_, certain=False)
            self.taken.add(id_)
            self.may_move = True
        else:
            self._raise(id_)
            self._above_mark(body, expected, at_ms)

    def _raise(self, id_: int, *, certain: bool = True) -> None:
        self.before = self.mark
        self.mark = max(self.mark, id_)
        if certain:
            self.low = self.mark

    def _claim(self, id_: int, expected: Expected) -> None:
        if id_ > self.mark:
            self._raise(id_)
            _must(expected, "done", "", "CLM-01")
        elif id_ < self.low:
            _must(expected, "refused", "stale", "CLM-02")
        elif self.low == self.mark:
            _must(expected, "done", "", "CLM-02")
        else:
            expected.states = ("done", "refused")

    def _above_mark(self, body: Body, expected: Expected, at_ms: float) -> None:
        act = body["act"]
        if act == "cancel" and body["ref"] >= body["id"] and self.knows("ORD-21"):
            _must(expected, "refused", "stale", "ORD-21")
        elif act == "cancel":
            expected.states, expected.requirement = ("cancelled", "refused"), "ORD-18"
        elif not any(act in specification().acts_of(role) for role in self.node.roles):
            _must(expected, "refused", "unsupported", "ORD-13")
        elif act in ("stimulus", "set-uptime") and not self.bench:
            _must(expected, "refused", "not-bench", "BEN-01")
        elif act == "resume":
            self._resume(body, expected)
        elif act in specification().jobs:
            self._job(body, expected, at_ms)
        elif act == "set-uptime":
            _must(expected, "done", "", "BEN-04")
            self.uptime, self.uptime_at_ms = body["uptime"], at_ms
        else:
            expected.states = ("done", "refused")

    def _resume(self, body: Body, expected: Expected) -> None:
        if body["holds"] != self.holds:
            _must(expected, "refused", "holds-count", "HLD-04")
            return
        _must(expected, "done", "", "HLD-05")
        self.may_move = self.may_move or (self.held and (self.job_open or bool(self.taken)))
        self.held = False

    def _job(self, body: Body, expected: Expected, at_ms: float) -> None:
        late = uptime_difference(self.uptime_at(at_ms) % 2**32, body["deadline"])
        if late > SURELY_LATE_MS:
            _must(expected, "refused", "late", "ORD-10")
        elif self.held:
            _must(expected, "refused", "", "HLD-03")
        elif requirement := impossible(self.node, body):
            _must(expected, "refused", "", requirement)
        else:
            expected.strict = False
            self.taken.add(body["id"])
            self.may_move = True


def _must(expected: Expected, state: str, reason: str, requirement: str) -> None:
    expected.states, expected.reason, expected.requirement = (state,), reason, requirement
