"""Handles one order at a time: the checks of `tables/order.toml`, and what each makes the node do."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Protocol

from protocol.guards import ORDER_GUARDS, NodeFacts, Order
from protocol.specification import specification
from protocol.state_machine import StateMachine
from protocol.transition_table import Check
from reference_node.controller.job import Job


class DeskNode(NodeFacts, Protocol):
    """What the desk makes a node do."""

    claimant: int | None
    hold_token: int | None

    @property
    def minor(self) -> int:
        """The minor version of the protocol that it keeps to."""

    def keeps(self, requirement: str) -> bool:
        """Whether that version has this requirement."""

    @property
    def job(self) -> Job | None:
        """The current or last job of this boot."""

    @property
    def job_machine(self) -> StateMachine:
        """Where the node is in the table of its job; in 'none' before the first."""

    def raise_mark(self, id_: int) -> None:
        """Remember the highest order id, and forget whose claim raised it before."""

    def answer(self, order: Order, state: str, reason: str | None = None) -> None:
        """Report on an order that is no job."""

    def answer_with_job(self, order: Order, reason: str | None = None) -> None:
        """Report the state of the current or last job to an order."""

    def tell_all(self, order: Order) -> None:
        """All state messages, then the report with the token."""

    def hold(self) -> None:
        """Stop moving and keep the job."""

    def cancel_job(self) -> None:
        """End the open job, if nothing was picked."""

    def obey(self, order: Order) -> None:
        """Do at once what an order asks that is no job."""

    def begin(self, order: Order) -> None:
        """Take on a job."""


class OrderDesk:
    """Decides on every readable order. `guards` by name may be replaced; so may each check, by `holds`."""

    guards = ORDER_GUARDS

    def __init__(self, node: DeskNode) -> None:
        self.node = node
        self._does: dict[str, Callable[[Order, str], None]] = {
            "answer": self.answer_ask,
            "obey": self.obey_hold,
            "refuse": self.refuse,
            "claim": self.claim,
            "repeat": self.repeat,
            "cancel": self.cancel,
            "cancelled": self.keep_out,
            "accept": self.accept,
            "raise-mark": self.raise_mark,
        }

    def checks(self) -> Sequence[Check]:
        """The checks in their order."""
        return [
            check for check in specification().at(self.node.minor).order_checks if check.name != "unreadable"
        ]

    def holds(self, check: str, order: Order) -> bool:
        """Whether `check` decides on `order`."""
        return check == "fit" or self.guards[check](order, self.node)

    def handle(self, order: Order) -> None:
        """Go through the checks; the first that holds decides."""
        for check in self.checks():
            if check.does == "raise-mark":
                self.raise_mark(order, "")
            elif self.holds(check.name, order):
                if check.does == "refuse" and order["act"] in specification().jobs:
                    self.node.job_machine.fire("order", {"check": check})
                self._does[check.does](order, check.reason)
                return

    def raise_mark(self, order: Order, _reason: str) -> None:
        """Raise the mark before any later check: what is refused now is not obeyed when it comes again [ORD-08]."""
        self.node.raise_mark(order["id"])

    def answer_ask(self, order: Order, _reason: str) -> None:
        """Tell all state and then the token, so that what came between is of now [ORD-03]; moves nothing [ORD-04]."""
        self.node.tell_all(order)

    def obey_hold(self, order: Order, _reason: str) -> None:
        """Hold whatever boot, id or sender it came with [HLD-01]; the job stays and there is no report [HLD-02].

        A repeat of the hold that was obeyed last changes nothing [HLD-08].
        """
        token = order.get("token") if self.node.keeps("HLD-08") else None
        if token is None or token != self.node.hold_token:
            self.node.hold_token = token
            self.node.hold()

    def refuse(self, order: Order, reason: str) -> None:
        """Answer with the reason; 'refused' means that nothing moved [ORD-20]."""
        self.node.answer(order, "refused", reason)

    def claim(self, order: Order, _reason: str) -> None:
        """CLM-01 to CLM-03, CLM-05: at or below the mark it changes nothing, and the answer carries the mark."""
        if order["id"] > self.node.mark:
            self.node.raise_mark(order["id"])
            self.node.claimant = order.get("token")
        if order["id"] == self.node.mark:
            self.node.answer(order, "done")
        else:
            self.node.answer(order, "refused", "stale")

    def repeat(self, order: Order, _reason: str) -> None:
        """ORD-06: the state of the job, and nothing is done again."""
        job = self.node.job
        assert job is not None
        job.fire("repeat")
        self.node.answer_with_job(order)

    def cancel(self, order: Order, _reason: str) -> None:
        """ORD-17: under the id of the job, whatever the id of the cancel."""
        self.node.cancel_job()
        job = self.node.job
        self.node.answer_with_job(order, "too-late" if job is not None and job.is_open else None)

    def keep_out(self, order: Order, _reason: str) -> None:
        """ORD-18: the raised mark keeps the order out that was not seen yet."""
        if self.node.job is None:
            self.node.job_machine.fire("cancel")
        self.node.answer(order, "cancelled")

    def accept(self, order: Order, _reason: str) -> None:
        """The order is fit: a job begins, anything else is done at once."""
        if order["act"] in specification().jobs:
            self.node.begin(order)
        else:
            self.node.obey(order)
