"""Nodes with a fault that lives in a context: in the second job, after a cancel, while held, behind a reconnect.

Each is the reference node with a few lines overridden; alone, out of its context, it does as it must.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

from protocol.guards import Order
from protocol.participant import Delivery, Publication
from protocol.specification import specification
from protocol.validation import read_message
from reference_node.controller.controller import Controller
from reference_node.controller.inbox import Inbox
from reference_node.controller.order_desk import OrderDesk
from reference_node.roles.crane import Crane


@dataclass(frozen=True, slots=True)
class ContextFault:
    """One such node, and a node of the example site whose role it has."""

    name: str
    node: str
    requirement: str
    controller: type[Controller]

    def __str__(self) -> str:
        return self.name


FAULTS: dict[str, ContextFault] = {}


def breaks(requirement: str, node: str = "ferry") -> Callable[[type[Controller]], type[Controller]]:
    def enter(controller: type[Controller]) -> type[Controller]:
        name = controller.__name__
        FAULTS[name] = ContextFault(name, node, requirement, controller)
        return controller

    return enter


class Counting(Controller):
    """Knows how many jobs, connections, holds and faults there were."""

    jobs = 0
    ended: tuple[str, ...] = ()

    def begin(self, order: Order) -> None:
        self.jobs += 1
        super().begin(order)

    def report_job(self) -> None:
        super().report_job()
        if self.job is not None and not self.job.is_open:
            self.ended = (*self.ended, self.job.state)


class CountingDesk(OrderDesk):
    node: Counting


@breaks("ORD-06")
class DoesTheSecondJobAgain(Counting):
    class desk_class(CountingDesk):  # noqa: N801
        def repeat(self, order: Order, reason: str) -> None:
            job = self.node.job
            assert job is not None
            if self.node.jobs > 1 and not job.is_open and order["act"] == job.act:
                self.node.begin(order)
            else:
                super().repeat(order, reason)


@breaks("ORD-12", "siding")
class TakesAnotherJobAfterAFailedOne(Counting):
    class desk_class(CountingDesk):  # noqa: N801
        def holds(self, check: str, order: Order) -> bool:
            if check == "job_open" and "failed" in self.node.ended:
                return False
            return super().holds(check, order)


@breaks("HLD-05")
class LosesItsHoldAtAReconnect(Controller):
    def disconnected(self, now_ms: int) -> None:
        super().disconnected(now_ms)
        self.held = False


@breaks("ORD-08")
class FallsBackToItsJobsIdAtAReconnect(Controller):
    def connected(self, now_ms: int) -> Sequence[Publication]:
        if self.link and self.job is not None and not self.job.is_open:
            self.mark = self.job.id
        return super().connected(now_ms)


@breaks("ORD-06", "siding")
class ForgetsAFailedJobAtAReconnect(Controller):
    class desk_class(OrderDesk):  # noqa: N801
        node: Controller

        def holds(self, check: str, order: Order) -> bool:
            job = self.node.job
            if check == "repeat_of_job" and self.node.link > 1 and job is not None and job.state == "failed":
                return False
            return super().holds(check, order)


@breaks("HLD-04")
class TakesAnyResumeWhileAJobIsOpen(Controller):
    class desk_class(OrderDesk):  # noqa: N801
        node: Controller

        def holds(self, check: str, order: Order) -> bool:
            return not (check == "holds_moved_on" and self.node.job_open) and super().holds(check, order)


@breaks("HLD-05", "siding")
class EndsItsHoldWithTheResetOfAFault(Controller):
    def reset_fault(self, order: Order) -> None:
        if self.job is not None and self.job.state == "failed":
            self.held = False
        super().reset_fault(order)


@breaks("HLD-05")
class ForgetsItsHoldWhenPowerFails(Controller):
    def power_lost(self) -> None:
        if self.job is not None:
            self.held = False
        super().power_lost()


@breaks("CLM-02")
class TakesNoClaimWhileItIsHeld(Controller):
    class desk_class(OrderDesk):  # noqa: N801
        node: Controller

        def claim(self, order: Order, reason: str) -> None:
            if self.node.held and self.node.job is not None:
                self.node.answer(order, "refused", "stale")
            else:
                super().claim(order, reason)


@breaks("CLM-03", "north")
class GivesUpItsJobForAClaim(Controller):
    class desk_class(OrderDesk):  # noqa: N801
        node: Controller

        def claim(self, order: Order, reason: str) -> None:
            super().claim(order, reason)
            if self.node.job_open and self.node.held:
                self.node.cancel_job()


@breaks("ORD-10", "siding")
class IsNotLateAfterACancelledOrFailedJob(Counting):
    class desk_class(CountingDesk):  # noqa: N801
        def holds(self, check: str, order: Order) -> bool:
            job = self.node.job
            lenient = job is not None and job.state in ("cancelled", "failed")
            return not (check == "past_deadline" and lenient) and super().holds(check, order)


@breaks("ORD-05")
class RaisesItsMarkForAnotherBootWhileHeld(Controller):
    class desk_class(OrderDesk):  # noqa: N801
        node: Controller

        def refuse(self, order: Order, reason: str) -> None:
            if reason == "wrong-boot" and self.node.held:
                self.node.raise_mark(order["id"])
            super().refuse(order, reason)


@breaks("ORD-18")
class KeepsNothingOutWhileAJobIsOpen(Controller):
    class desk_class(OrderDesk):  # noqa: N801
        node: Controller

        def keep_out(self, order: Order, reason: str) -> None:
            if self.node.job_open:
                self.node.mark = self.node.mark_before
            super().keep_out(order, reason)


@breaks("ORD-07", "siding")
class TakesOldIdsOnItsSecondConnection(Controller):
    class desk_class(OrderDesk):  # noqa: N801
        node: Controller

        def holds(self, check: str, order: Order) -> bool:
            return not (check == "at_or_below_mark" and self.node.link > 1) and super().holds(check, order)


@breaks("HLD-01", "siding")
class CountsNoHoldThatComesTwice(Controller):
    def hold(self) -> None:
        holds, again = self.holds, self.held
        super().hold()
        if again:
            self.holds = holds


@breaks("HLD-05")
class RefusesAResumeOnceTheJobHasFailed(Controller):
    class desk_class(OrderDesk):  # noqa: N801
        node: Controller

        def accept(self, order: Order, reason: str) -> None:
            job = self.node.job
            if order["act"] == "resume" and job is not None and job.state == "failed":
                self.node.answer(order, "refused", "state")
            else:
                super().accept(order, reason)


@breaks("FLT-02")
class CountsNoFaultWhileHeld(Controller):
    def _halt(self, raisers: Any, code: str, part: str | None) -> None:
        before = self.register.count
        super()._halt(raisers, code, part)
        if self.held:
            self.register.count = before


@breaks("ORD-13")
class IsBusyForWhatItDoesNotKnow(Controller):
    class desk_class(OrderDesk):  # noqa: N801
        node: Controller

        def refuse(self, order: Order, reason: str) -> None:
            super().refuse(order, "busy" if reason == "unsupported" and self.node.job_open else reason)


@breaks("HLD-05")
class EndsItsHoldAtRubbish(Controller):
    def _raise_bad_message(self) -> None:
        if self.held and self.job_open and self.bad_messages.due_ms is not None:
            self.held = False
        super()._raise_bad_message()


@breaks("BEN-04", "siding")
class ForgetsItsHoldsWhenUptimeIsSet(Controller):
    def obey(self, order: Order) -> None:
        super().obey(order)
        if order["act"] == "set-uptime" and self.held:
            self.holds = 0


@breaks("BER-06", "siding")
class CountsNoArrivalAfterAFailedOne(Counting):
    def begin(self, order: Order) -> None:
        failed = self.job is not None and self.job.state == "failed"
        super().begin(order)
        berth = self.roles.get("berth")
        if failed and order["act"] == "admit" and berth is not None:
            berth.count -= 1  # type: ignore[attr-defined]


@breaks("CRN-11", "north")
class IsReadyAfterAFaultOnceItWasHomed(Controller):
    class crane_class(Crane):  # noqa: N801
        ever = False

        def finished(self) -> None:
            self.ever = True
            super().finished()

        @property
        def every_axis_homed(self) -> bool:
            return self.ever or super().every_axis_homed


@breaks("ORD-17", "north")
class CancelsWhatItHasPickedWhileHeld(Controller):
    def cancel_job(self) -> None:
        if self.job is not None and self.held:
            self.job.past_return = False
        super().cancel_job()


@breaks("LNK-14")
class TakesRetainedOrdersAfterItsFirstJob(Counting):
    class inbox_class(Inbox):  # noqa: N801
        lenient = False

        def takes(self, delivery: Any) -> bool:
            return bool(delivery.topic in self.topics and self.lenient) or super().takes(delivery)

    def begin(self, order: Order) -> None:
        super().begin(order)
        self.inbox.lenient = True  # type: ignore[attr-defined]


@breaks("ORD-09", "siding")
class MakesARefusedOrderItsJobWhileHeld(Controller):
    class desk_class(OrderDesk):  # noqa: N801
        node: Controller

        def refuse(self, order: Order, reason: str) -> None:
            super().refuse(order, reason)
            job = self.node.job
            if (
                reason == "held"
                and job is not None
                and not job.is_open
                and order["act"] in specification().jobs
            ):
                job.id = order["id"]


@breaks("ORD-21", "siding")
class KeepsOutALaterOneAfterADoneJob(Controller):
    class desk_class(OrderDesk):  # noqa: N801
        node: Controller

        def holds(self, check: str, order: Order) -> bool:
            job = self.node.job
            lenient = job is not None and job.state == "done"
            return not (check == "cancel_of_later" and lenient) and super().holds(check, order)


@breaks("HLD-01")
class OverlooksAHoldForAllInItsSecondJob(Counting):
    class inbox_class(Inbox):  # noqa: N801
        deaf = False

        def takes(self, delivery: Any) -> bool:
            return super().takes(delivery) and not (self.deaf and delivery.topic == self.topics[1])

    def begin(self, order: Order) -> None:
        super().begin(order)
        self.inbox.deaf = self.jobs >= 2  # type: ignore[attr-defined]


@breaks("ENC-09", "siding")
class ReadsNoStrangeFieldWhileAJobIsOpen(Controller):
    def receive(self, delivery: Delivery, now_ms: int) -> Sequence[Publication]:
        strange = read_message("job-order", delivery.payload, closed=True).findings
        if self.job_open and strange and read_message("job-order", delivery.payload, closed=False).readable:
            return self.tick(now_ms)
        return super().receive(delivery, now_ms)


@breaks("ENC-12", "siding")
class TakesTheFirstOfTwoGluedOrdersAfterAJob(Controller):
    def receive(self, delivery: Delivery, now_ms: int) -> Sequence[Publication]:
        half = delivery.payload[: len(delivery.payload) // 2]
        if self.job is not None and half * 2 == delivery.payload:
            delivery = replace(delivery, payload=half)
        return super().receive(delivery, now_ms)
