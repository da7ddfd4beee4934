"""What a node has been through in its boot, as far as a context asks for it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from protocol.counting import UPTIME_MODULUS
from protocol.guards import Order
from protocol.specification import FINAL, specification
from reference_node.roles.berth import Berth
from reference_node.roles.shuttle import Shuttle

if TYPE_CHECKING:
    from collections.abc import Callable

    from reference_node.controller.controller import Controller

WRAP_MS = 60_000
"""How near to the wrap of uptime is 'around' it."""


class History:
    """Kept by looking at the node before and after each thing that happens to it."""

    def __init__(self, node: Controller) -> None:
        self.node = node
        self.connects = 0
        """Connections begun in this boot, the one that is being made counted."""
        self.jobs = 0
        self.outcome = ""
        """What the last job order came to: done, failed, cancelled, refused."""
        self.claims = 0
        self.resumed = self.reset = self.bad = False
        self.encoding = ""
        self._job: object = None
        self._state = ""
        self._held = node.held

    def heard(self, order: Order | None, encoding: str) -> None:
        """An order is about to be handled; None for one that cannot be read."""
        self.encoding = encoding
        if order is None:
            self.bad = True

    def handled(self) -> None:
        """Something has happened to the node."""
        node = self.node
        job = node.job
        if job is not None:
            if job is not self._job:
                self.jobs += 1
            if (job is not self._job or job.state != self._state) and job.state in FINAL:
                self.outcome = job.state
            self._job, self._state = job, job.state
        self.resumed = self.resumed or (self._held and not node.held)
        self._held = node.held

    def answered(self, body: Order) -> None:
        """The node is about to report."""
        act, state = body.get("act"), body.get("state")
        if state == "refused" and act in specification().jobs:
            self.outcome = "refused"
        elif state == "done" and act == "claim" and body.get("id") == body.get("mark"):
            self.claims += 1
        elif state == "done" and act == "reset-fault":
            self.reset = True

    @property
    def idle(self) -> bool:
        """Whether no job is open."""
        return not self.node.job_open

    @property
    def moving(self) -> bool:
        """Whether a motor is on."""
        node = self.node
        runs = node.job is not None and node.job.state == "running" and not node.held
        return runs or any(role.moving for role in node.roles.values())

    @property
    def wraps(self) -> bool:
        """Whether the uptime is about to wrap, or has just done so."""
        uptime = self.node.uptime
        return uptime > UPTIME_MODULUS - WRAP_MS or (uptime < WRAP_MS and self.node.uptime_was_set)  # type: ignore[attr-defined]

    def count(self, kind: type[Berth] | type[Shuttle]) -> int:
        """Arrivals or stops so far."""
        return sum(role.count for role in self.node.roles.values() if isinstance(role, kind))


CONTEXTS: dict[str, Callable[[History], bool]] = {
    "always": lambda h: True,
    "link-2": lambda h: h.connects >= 2,
    "link-3": lambda h: h.connects >= 3,
    "job-2": lambda h: h.jobs >= 2,
    "job-3": lambda h: h.jobs >= 3,
    "after-done": lambda h: h.outcome == "done",
    "after-failed": lambda h: h.outcome == "failed",
    "after-cancelled": lambda h: h.outcome == "cancelled",
    "after-refused": lambda h: h.outcome == "refused",
    "idle": lambda h: h.idle,
    "moving": lambda h: h.moving,
    "held": lambda h: h.node.held,
    "resumed": lambda h: h.resumed,
    "json": lambda h: h.encoding == "json",
    "cbor": lambda h: h.encoding == "cbor",
    "wrap": lambda h: h.wraps,
    "faulted": lambda h: h.node.faults > 0,
    "reset": lambda h: h.reset,
    "bad": lambda h: h.bad,
    "claimed-2": lambda h: h.claims >= 2,
    "arrival-2": lambda h: h.count(Berth) >= 2,
    "stop-2": lambda h: h.count(Shuttle) >= 2,
}
"""Context to whether it holds now. What a node is planted with shows in all that it is planted with at once."""
