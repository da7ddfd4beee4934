"""The job of one that a node has: what moves now, or what moved last in this boot."""

from __future__ import annotations

from typing import Any, ClassVar

from protocol.guards import Order
from protocol.machine_guards import MACHINE_GUARDS
from protocol.specification import specification
from protocol.state_machine import Guards, StateMachine


class Job:
    """A job from its acceptance on, through the states of `tables/job.toml` [ORD-15].

    `after` is the job that it follows in the node, which has ended; None for the first of a boot. `minor` is the minor
    version of the protocol whose table it follows.
    """

    guards: ClassVar[Guards] = MACHINE_GUARDS

    def __init__(self, order: Order, after: Job | None = None, minor: int | None = None) -> None:
        self.order = order
        self.id: int = order["id"]
        self.act: str = order["act"]
        self.step: str | None = None
        self.reason: str | None = None
        self.past_return = False
        ended = after.state if after is not None and not after.is_open else ""
        spec = specification().at(minor)
        self.machine = StateMachine(spec.tables["job"], self.guards, ended)
        self.machine.fire("order", {"check": next(one for one in spec.order_checks if one.does == "accept")})

    @property
    def state(self) -> str:
        """accepted, running, done, failed or cancelled."""
        return self.machine.state

    @property
    def is_open(self) -> bool:
        """Whether it is not in a final state."""
        return self.state not in self.machine.table.final

    def fire(self, event: str) -> bool:
        """Let `event` happen to the job; True where that changed its state."""
        before = self.state
        self.machine.fire(event, {"job": self})
        return self.state != before

    def report(self) -> dict[str, Any]:
        """What a report of this job says besides its envelope, the mark and the load [ORD-14]."""
        said = {
            "id": self.id,
            "state": self.state,
            "order_boot": self.order["boot"],
            "act": self.act,
            "step": self.step if self.is_open else None,
            "reason": self.reason,
            "box": self.order.get("box"),
        }
        return {name: value for name, value in said.items() if value is not None}
