"""Bugs that take several messages in the right order."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from protocol.counting import next_count
from protocol.guards import ORDER_GUARDS, Order
from protocol.participant import Delivery, Publication
from reference_node.controller.controller import Controller
from reference_node.controller.faults import FaultRegister
from reference_node.controller.heartbeat import Heartbeat
from reference_node.controller.order_desk import OrderDesk
from reference_node.envelope import Envelope, Uptime
from tests.faulty_nodes.board import Crash
from tests.faulty_nodes.bugs.registry import bug
from tests.faulty_nodes.states import StopsAtTheWrap


@bug("sequence", node="ferry")
class RemembersTheLastFourOrders(Controller):
    """A ring of four: after four more orders the last job is no longer known and is done again."""

    class desk_class(OrderDesk):  # noqa: N801
        ring: tuple[int, ...] = ()

        def handle(self, order: Order) -> None:
            job = self.node.job
            if "id" in order and order["boot"] == self.node.boot:
                over = job is not None and order["id"] == job.id and not job.is_open
                if over and order["id"] not in self.ring and job is not None and order["act"] == job.act:
                    self.node.begin(order)
                    return
                self.ring = (*self.ring, order["id"])[-4:]
            super().handle(order)


@bug("sequence", node="north")
class StartsACancelledJobAgain(Controller):
    """The repeat of a cancelled order finds the slot free."""

    class desk_class(OrderDesk):  # noqa: N801
        def repeat(self, order: Order, reason: str) -> None:
            job = self.node.job
            if job is not None and job.state == "cancelled" and order["act"] == job.act:
                self.node.begin(order)
            else:
                super().repeat(order, reason)


@bug("sequence", node="ferry")
class TakesARepeatWithOtherContentForNew(Controller):
    """Compares id and act: the same id with another act is done."""

    class desk_class(OrderDesk):  # noqa: N801
        def repeat(self, order: Order, reason: str) -> None:
            job = self.node.job
            if job is not None and order["act"] != job.act and order["act"] in ("claim", "reset-fault"):
                self.node.answer(order, "refused", "stale")
            else:
                super().repeat(order, reason)


@bug("sequence")
class CountsAHoldOnce(Controller):
    """A second hold while held is no hold to it, so a resume meant for the first ends both."""

    def hold(self) -> None:
        if not self.held:
            super().hold()


@bug("sequence")
class AnswersACancelForAnotherBoot(Controller):
    """Looks up the job before it looks at the boot."""

    class desk_class(OrderDesk):  # noqa: N801
        def handle(self, order: Order) -> None:
            if order["act"] == "cancel" and ORDER_GUARDS["cancel_of_job"](order, self.node):
                self.cancel(order, "")
            else:
                super().handle(order)


@bug("sequence", node="ferry")
class AClaimEndsTheJob(Controller):
    """A new supervisor gets a clean table: the open job is forgotten, the motor goes on."""

    class desk_class(OrderDesk):  # noqa: N801
        def claim(self, order: Order, reason: str) -> None:
            job = self.node.job
            if job is not None and job.is_open and order["id"] > self.node.mark:
                self.node.job = None  # type: ignore[misc]
            super().claim(order, reason)


@bug("sequence")
class LeaksARowForEveryRefusal(Controller):
    """Reports of refusals are allocated and never freed; at sixty the heap is full."""

    watchdog = True
    leaked = 0

    def answer(self, order: Order, state: str, reason: str | None = None) -> None:
        self.leaked += state == "refused"
        if self.leaked >= 60:
            raise Crash("out of memory")
        super().answer(order, state, reason)


@bug("sequence")
class TellsThatItsMemorySinks(Controller):
    """Four bytes lost with every order, as free memory in node-status shows."""

    lost = 0

    def receive(self, delivery: Delivery, now_ms: int) -> Sequence[Publication]:
        self.lost += 4
        return super().receive(delivery, now_ms)

    def node_status(self) -> dict[str, Any]:
        return super().node_status() | {"memory": 20_000 - self.lost}

    def changed(self, message: str) -> bool:
        return message != "node-status" and super().changed(message)


@bug("sequence")
class CountsSeqInEightBits(Controller):
    """seq is a byte and goes from 255 to 0."""

    class envelope_class(Envelope):  # noqa: N801
        def count(self, message: str) -> int:
            return super().count(message) % 256


@bug("sequence")
class KeepsItsMarkInSixteenBits(Controller):
    """The mark is an unsigned int of an AVR."""

    def raise_mark(self, id_: int) -> None:
        self.mark_before, self.mark = self.mark, max(self.mark, id_) & 0xFFFF


@bug("sequence")
class HasOneReceiveSlot(Controller):
    """An order that comes in the same millisecond as the one before overwrites it."""

    came_ms = -1

    def receive(self, delivery: Delivery, now_ms: int) -> Sequence[Publication]:
        if now_ms == self.came_ms:
            return []
        self.came_ms = now_ms
        return super().receive(delivery, now_ms)


@bug("sequence")
class PublishesInItsCallback(Controller):
    """Blocks in publish once four answers are on their way, and is never called back."""

    times: tuple[int, ...] = ()

    def receive(self, delivery: Delivery, now_ms: int) -> Sequence[Publication]:
        self.times = (*[one for one in self.times if one > now_ms - 3], now_ms)
        if len(self.times) > 4:
            raise Crash("waits for itself")
        return super().receive(delivery, now_ms)


@bug("sequence")
class ResetFaultRestartsTheJob(Controller):
    """reset-fault takes up the job where the fault had ended it."""

    def reset_fault(self, order: Order) -> None:
        job = self.job
        super().reset_fault(order)
        if job is not None and job.reason == "fault":
            self.begin(job.order)


@bug("sequence")
class CountsFaultsInOneBit(Controller):
    """The fault count says whether there was a fault since the last reset-fault."""

    def reset_fault(self, order: Order) -> None:
        super().reset_fault(order)
        self.register.count = 0


@bug("sequence")
class ForgetsFaultsBeyondTheFirst(Controller):
    """One byte for the active fault: the next one overwrites it."""

    class faults_class(FaultRegister):  # noqa: N801
        def clear(self, code: str) -> None:
            super().clear(code)
            self.count = next_count(self.count)


@bug("sequence", node="ferry")
class StartsAHeldJobAtOnce(Controller):
    """Checks for a hold when an order comes in, by a flag that the ask clears by mistake."""

    def tell_all(self, order: Order) -> None:
        super().tell_all(order)
        if self.held:
            self.held = False


@bug("wrap")
class HeartbeatStopsAtTheWrap(StopsAtTheWrap):
    """'if (millis() > next)' with a next that lies beyond the wrap."""


@bug("wrap")
class DeadlinesAreComparedWithLess(Controller):
    """A deadline beyond the wrap is late, one before it is in time."""

    class desk_class(OrderDesk):  # noqa: N801
        guards = ORDER_GUARDS | {
            "past_deadline": lambda o, node: "deadline" in o and o["deadline"] < node.uptime
        }


@bug("wrap")
class UptimeSticksAtItsEnd(Controller):
    """A saturating counter."""

    class uptime_class(Uptime):  # noqa: N801
        stuck = 0

        def at(self, now_ms: int) -> int:
            value = super().at(now_ms)
            if value < self.stuck - 2**31:
                return 2**32 - 1
            self.stuck = value
            return value

        def set(self, uptime: int, now_ms: int) -> None:
            self.stuck = 0
            super().set(uptime, now_ms)


@bug("wrap")
class TimersTakeUptimeForTime(Controller):
    """Every timer is in uptime, so set-uptime and the wrap put heartbeats off."""

    class heartbeat_class(Heartbeat):  # noqa: N801
        jumped_ms = 0

        def due_ms(self, message: str, now_ms: int, every_ms: int | None = None) -> int:
            return super().due_ms(message, now_ms, every_ms) + self.jumped_ms

    def obey(self, order: Order) -> None:
        if order["act"] == "set-uptime" and order["uptime"] > 2**31:
            self.heartbeat.jumped_ms = 60_000  # type: ignore[attr-defined]
        super().obey(order)
