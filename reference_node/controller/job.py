"""The job of one that a node has: what moves now, or what moved last in this boot."""

from __future__ import annotations

from typing import Any

from protocol.guards import Order
from protocol.specification import specification
from protocol.state_machine import StateMachine


class Job:
    """A job from its acceptance on, through the states of `tables/job.toml` [ORD-15]."""

    def __init__(self, order: Order, minor: int) -> None:
        """`minor`: the minor version of the protocol whose table the job follows."""
        self.order = order
        self.id: int = order["id"]
        self.act: str = order["act"]
        self.step: str | None = None
        self.reason: str | None = None
        self.past_return = False
        self._machine = StateMachine(
            specification().at(minor).tables["job"], {"order_is_fit": lambda _: True}
        )
        self.fire("order")

    @property
    def state(self) -> str:
        """accepted, running, done, failed or cancelled."""
        return self._machine.state

    @property
    def is_open(self) -> bool:
        """Whether it is not in a final state."""
        return self.state not in self._machine.table.final

    def fire(self, event: str) -> bool:
        """Let `event` happen to the job; True where that changed its state."""
        before = self.state
        self._machine.fire(event, self)
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
