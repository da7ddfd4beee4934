"""Nodes that are wrong about claims and marks, holds and faults."""

from __future__ import annotations

from typing import Any

from protocol.counting import next_count
from protocol.guards import Order
from reference_node.controller.controller import Controller
from reference_node.controller.faults import FaultRegister
from reference_node.controller.order_desk import OrderDesk
from tests.faulty_nodes.faulty import faulty
from tests.faulty_nodes.orders import without


@faulty("CLM-01", "claim-raises")
class ClaimsRaiseNothing(Controller):
    class desk_class(OrderDesk):  # noqa: N801
        def claim(self, order: Order, reason: str) -> None:
            self.node.answer(order, "done")


@faulty("CLM-02", "claim-below")
class ClaimsLowerTheMark(Controller):
    class desk_class(OrderDesk):  # noqa: N801
        def claim(self, order: Order, reason: str) -> None:
            self.node.mark = order["id"]  # type: ignore[misc]
            self.node.answer(order, "done")


@faulty("CLM-02", "claim-again")
class RefusesARepeatedClaim(Controller):
    class desk_class(OrderDesk):  # noqa: N801
        def claim(self, order: Order, reason: str) -> None:
            if order["id"] == self.node.mark:
                self.node.answer(order, "refused", "stale")
            else:
                super().claim(order, reason)


@faulty("ORD-21", "orders-cancel-later")
class PromisesToKeepOutWhatItsMarkDoesNot(Controller):
    desk_class = without("cancel_of_later")


@faulty("CLM-05", "claim-claimant")
class EchoesTheClaimantThatAsks(Controller):
    """As an ask is answered with its own token: both of two supervisors with one number then own it."""

    class desk_class(OrderDesk):  # noqa: N801
        def claim(self, order: Order, reason: str) -> None:
            super().claim(order, reason)
            self.node.claimant = None

        def handle(self, order: Order) -> None:
            if order["act"] == "claim" and order["id"] == self.node.mark:
                self.node.claimant = order.get("token")
            super().handle(order)


@faulty("CLM-05", "claim-claimant", node="ferry")
class KeepsTheClaimantOfALowerMark(Controller):
    def raise_mark(self, id_: int) -> None:
        before = self.claimant
        super().raise_mark(id_)
        self.claimant = before


@faulty("CLM-05", "claim-claimant", node="north")
class SaysNoClaimant(Controller):
    class desk_class(OrderDesk):  # noqa: N801
        def claim(self, order: Order, reason: str) -> None:
            super().claim({key: value for key, value in order.items() if key != "token"}, reason)


@faulty("CLM-03", "claim-keeps-job", node="ferry")
class ClaimsEndTheJob(Controller):
    class desk_class(OrderDesk):  # noqa: N801
        def claim(self, order: Order, reason: str) -> None:
            super().claim(order, reason)
            job = self.node.job
            if job is not None and job.is_open:
                job.fire("halt")
                self.node.answer_with_job(job.order)


@faulty("CLM-04", "claim-after-reset")
class KeepsItsMarkOverAReset(Controller):
    kept = 0

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.mark = type(self).kept

    def raise_mark(self, id_: int) -> None:
        super().raise_mark(id_)
        type(self).kept = self.mark


@faulty("HLD-01", "hold-counts")
class CountsAHoldOnlyOnce(Controller):
    def hold(self) -> None:
        if not self.held:
            super().hold()


@faulty("HLD-01", "hold-repeated")
class TakesEveryHoldBehindTheFirstForARepeat(Controller):
    """Looks for a token at all, and not for which."""

    class desk_class(OrderDesk):  # noqa: N801
        def obey_hold(self, order: Order, reason: str) -> None:
            if self.node.hold_token is None or "token" not in order:
                super().obey_hold(order, reason)


@faulty("HLD-02", "hold-obeyed")
class HoldsRaiseTheMark(Controller):
    def hold(self) -> None:
        super().hold()
        self.raise_mark(self.mark + 1)


@faulty("HLD-03", "hold-refuses")
class TakesJobsWhileHeld(Controller):
    desk_class = without("is_held", "state_forbids")


@faulty("HLD-04", "hold-wrong-count")
class ResumesOnAnyCount(Controller):
    desk_class = without("holds_moved_on")


@faulty("HLD-02", "hold-keeps-job", node="ferry")
class HoldsEndTheJob(Controller):
    def hold(self) -> None:
        super().hold()
        if self.job is not None and self.job.is_open:
            self.job.fire("cancel")
            self.job.fire("halt")
            self.report_job()


@faulty("FLT-04", "faults-wrong-count")
class ResetsOnAnyFaultCount(Controller):
    desk_class = without("faults_moved_on", "finding_unfit")


@faulty("FLT-02", "faults-halt")
class HaltsAreNotCounted(Controller):
    class faults_class(FaultRegister):  # noqa: N801
        def counts(self, code: str) -> bool:
            return False


@faulty("FLT-03", "encoding-unreadable")
class WarningsAreCounted(Controller):
    class faults_class(FaultRegister):  # noqa: N801
        def counts(self, code: str) -> bool:
            return True


@faulty("FLT-01", "faults-message")
class CallsEveryFaultAWarning(Controller):
    class faults_class(FaultRegister):  # noqa: N801
        def body(self) -> dict[str, Any]:
            said = super().body()
            return said | ({"level": "warn"} if "level" in said else {})


@faulty("FLT-05", "faults-reset-moves-nothing", node="ferry")
class RunsAgainAfterAReset(Controller):
    def reset_fault(self, order: Order) -> None:
        super().reset_fault(order)
        if self.job is not None and self.job.state == "failed" and self.machines.shuttle is not None:
            self.machines.shuttle.run_to("quay-s")
            self.machines.shuttle.run_to("quay-n")
            self.machines.shuttle.run_to("quay-s")


@faulty("HLD-05", "hold-ends")
class CountsAResumeAsAHold(Controller):
    def resume(self, order: Order) -> None:
        super().resume(order)
        self.holds = next_count(self.holds)


@faulty("ORD-04", "orders-ask")
class AsksRaiseTheMark(Controller):
    def tell_all(self, order: Order) -> None:
        super().tell_all(order)
        self.raise_mark(self.mark + 1)
