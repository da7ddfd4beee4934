"""Nodes that are wrong about orders, their answers, and the end of a job."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from protocol.guards import ORDER_GUARDS, NodeFacts, Order, OrderGuard
from protocol.participant import Delivery, Publication
from protocol.transition_table import Check
from reference_node.controller.controller import Controller
from reference_node.controller.faults import BadMessages
from reference_node.controller.inbox import Inbox
from reference_node.controller.job import Job
from reference_node.controller.order_desk import OrderDesk
from tests.faulty_nodes.faulty import faulty


def never(order: Order, node: NodeFacts) -> bool:
    return False


def without(*checks: str) -> type[OrderDesk]:
    """A desk to which some checks never hold."""

    class Careless(OrderDesk):
        guards: dict[str, OrderGuard] = ORDER_GUARDS | dict.fromkeys(checks, never)

    return Careless


@faulty("ORD-05", "orders-wrong-boot")
class TakesAnyBoot(Controller):
    desk_class = without("other_boot")


@faulty("ORD-05", "orders-wrong-boot")
class WrongBootRaisesMark(Controller):
    class desk_class(OrderDesk):  # noqa: N801
        def refuse(self, order: Order, reason: str) -> None:
            if reason == "wrong-boot":
                self.node.raise_mark(order["id"])
            super().refuse(order, reason)


@faulty("ORD-20", "orders-late")
class StartsTheMotorOfALateJob(Controller):
    """Switches the track on before it looks at the deadline, and off again."""

    class desk_class(OrderDesk):  # noqa: N801
        node: Controller

        def refuse(self, order: Order, reason: str) -> None:
            track = self.node.machines.track
            if reason == "late" and track is not None:
                track.drive(30)
                track.drive(0)
            super().refuse(order, reason)


@faulty("ORD-07", "orders-stale")
class TakesOldIds(Controller):
    desk_class = without("at_or_below_mark")


@faulty("ORD-07", "orders-stale")
class TakesTheMarkItself(Controller):
    class desk_class(OrderDesk):  # noqa: N801
        guards = ORDER_GUARDS | {"at_or_below_mark": lambda order, node: order["id"] < node.mark}


@faulty("ORD-08", "orders-mark-first")
class RaisesMarkOnlyForFitOrders(Controller):
    class desk_class(OrderDesk):  # noqa: N801
        def checks(self) -> Sequence[Check]:
            rows = list(super().checks())
            mark = next(row for row in rows if row.name == "raise-mark")
            rows.remove(mark)
            rows.insert(len(rows) - 1, mark)
            return rows


@faulty("ORD-09", "orders-refused-is-no-job", node="ferry")
class RemembersRefusedAsLastJob(Controller):
    class desk_class(OrderDesk):  # noqa: N801
        def refuse(self, order: Order, reason: str) -> None:
            super().refuse(order, reason)
            if reason == "late":
                self.node.job = None  # type: ignore[misc]


@faulty("ORD-10", "orders-late")
class IgnoresDeadlines(Controller):
    desk_class = without("past_deadline")


@faulty("ORD-11", "orders-late-across-wrap")
class ComparesDeadlinesUnsigned(Controller):
    class desk_class(OrderDesk):  # noqa: N801
        guards = ORDER_GUARDS | {
            "past_deadline": lambda o, node: "deadline" in o and o["deadline"] < node.uptime
        }


@faulty("ORD-06", "orders-repeat")
class ForgetsItsLastJob(Controller):
    desk_class = without("repeat_of_job")


@faulty("ORD-06", "orders-repeat")
class DoesRepeatsAgain(Controller):
    class desk_class(OrderDesk):  # noqa: N801
        def repeat(self, order: Order, reason: str) -> None:
            job = self.node.job
            if job is not None and not job.is_open and order["act"] == job.act:
                self.node.raise_mark(order["id"])
                self.node.begin(order)
            else:
                super().repeat(order, reason)


@faulty("ORD-12", "orders-busy", node="ferry")
class TakesTwoJobs(Controller):
    desk_class = without("job_open", "state_forbids")


@faulty("ORD-13", "orders-unsupported")
class CallsUnknownActsLate(Controller):
    class desk_class(OrderDesk):  # noqa: N801
        def refuse(self, order: Order, reason: str) -> None:
            super().refuse(order, "late" if reason == "unsupported" else reason)


@faulty("ORD-01", "orders-unsupported")
class SilentAboutUnknownActs(Controller):
    class desk_class(OrderDesk):  # noqa: N801
        def refuse(self, order: Order, reason: str) -> None:
            if reason != "unsupported":
                super().refuse(order, reason)


@faulty("ORD-14", "orders-wrong-boot")
class ReportsItsOwnBoot(Controller):
    def answer(self, order: Order, state: str, reason: str | None = None) -> None:
        super().answer({**order, "boot": self.boot}, state, reason)


@faulty("ORD-17", "orders-cancel-done")
class AnswersCancelsUnderTheirOwnId(Controller):
    def answer_with_job(self, order: Order, reason: str | None = None) -> None:
        if order["act"] == "cancel":
            assert self.job is not None
            self.answer({key: value for key, value in order.items() if key != "ref"}, self.job.state, reason)
        else:
            super().answer_with_job(order, reason)


@faulty("ORD-18", "orders-cancel-unseen")
class ForgetsCancelsOfUnseenOrders(Controller):
    class desk_class(OrderDesk):  # noqa: N801
        def keep_out(self, order: Order, reason: str) -> None:
            self.node.mark = self.node.mark_before  # type: ignore[misc]
            super().keep_out(order, reason)


@faulty("ORD-03", "orders-ask")
class ReportsBeforeItsState(Controller):
    def tell_all(self, order: Order) -> None:
        self._report({"act": "ask", "state": "done", "token": order["token"]})
        self.tell_state()


@faulty("ORD-03", "orders-ask")
class LeavesFaultOutOfItsAnswer(Controller):
    def tell_all(self, order: Order) -> None:
        for message in self.state_messages():
            if message != "fault":
                self._publish_state(message)
        self._report({"act": "ask", "state": "done", "token": order["token"]})


class _Slow(Controller):
    """Looks into its receive buffer only so often."""

    every_ms = 220

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self._waiting: list[tuple[int, Delivery]] = []

    def receive(self, delivery: Delivery, now_ms: int) -> Sequence[Publication]:
        self._waiting.append((now_ms + self.every_ms, delivery))
        return []

    def tick(self, now_ms: int) -> Sequence[Publication]:
        out: list[Publication] = []
        while self._waiting and self._waiting[0][0] <= now_ms:
            out += super().receive(self._waiting.pop(self.next_waiting())[1], now_ms)
        return [*out, *super().tick(now_ms)]

    def next_waiting(self) -> int:
        return 0

    def next_tick(self, now_ms: int) -> int | None:
        usual = super().next_tick(now_ms)
        return min([one[0] for one in self._waiting] + ([] if usual is None else [usual]), default=None)


@faulty("ORD-01", "orders-answer-time")
class AnswersATenthTooLate(_Slow):
    every_ms = 220


@faulty("ORD-02", "orders-in-order")
class HandlesNewestFirst(_Slow):
    every_ms = 40

    def next_waiting(self) -> int:
        return -1


@faulty("ORD-19", "orders-in-order")
class KeepsOneOrderOnly(_Slow):
    every_ms = 60

    def receive(self, delivery: Delivery, now_ms: int) -> Sequence[Publication]:
        self._waiting.clear()
        return super().receive(delivery, now_ms)


@faulty("ORD-22", "orders-cancel-own-id", node="ferry")
class TakesARepeatForACancel(Controller):
    class desk_class(OrderDesk):  # noqa: N801
        node: Controller

        def repeat(self, order: Order, reason: str) -> None:
            job = self.node.job
            if order["act"] == "cancel" and job is not None and job.is_open:
                self.node.power_lost()
            super().repeat(order, reason)


@faulty("ORD-22", "orders-cancel-own-id", node="north")
class LooksForCancelsBeforeRepeats(Controller):
    class desk_class(OrderDesk):  # noqa: N801
        def repeat(self, order: Order, reason: str) -> None:
            if order["act"] == "cancel":
                self.cancel(order, reason)
            else:
                super().repeat(order, reason)


@faulty("ORD-23", "orders-late-start")
class StartsWhatWasHeldTooLong(Controller):
    def keeps(self, requirement: str) -> bool:
        return requirement != "ORD-23" and super().keeps(requirement)


@faulty("ORD-23", "orders-late-start", node="ferry")
class LooksAtTheDeadlineWithoutTheWrap(Controller):
    def _left_ms(self, job: Job) -> int:
        left: int = job.order["deadline"] - self.uptime
        return left


@faulty("HLD-01", "hold-all")
class DeafToHoldsForAll(Controller):
    class inbox_class(Inbox):  # noqa: N801
        def takes(self, delivery: Delivery) -> bool:
            return "/all/" not in delivery.topic and super().takes(delivery)


@faulty("HLD-07", "hold-alone-for-all")
class ObeysWhateverComesForAll(Controller):
    class inbox_class(Inbox):  # noqa: N801
        def read(self, delivery: Delivery) -> Order | None:
            return super().read(replace(delivery, topic=self.topics[0]))


@faulty("HLD-07", "hold-alone-for-all")
class AnswersWhoAsksAll(Controller):
    class inbox_class(Inbox):  # noqa: N801
        def read(self, delivery: Delivery) -> Order | None:
            own = super().read(replace(delivery, topic=self.topics[0]))
            return own if own is not None and own["act"] == "ask" else super().read(delivery)


@faulty("ENC-11", "encoding-flood")
class FaultsForEveryBadMessage(Controller):
    class bad_messages_class(BadMessages):  # noqa: N801
        def take(self, now_ms: int) -> bool:
            waits, self._waits = self._waits, False
            return waits


@faulty("ENC-11", "encoding-flood")
class FaultsTooSoon(Controller):
    class bad_messages_class(BadMessages):  # noqa: N801
        @property
        def due_ms(self) -> int | None:
            due = super().due_ms
            return None if due is None else due - 600


@faulty("ENC-10", "encoding-unreadable")
class SilentAboutBadMessages(Controller):
    class bad_messages_class(BadMessages):  # noqa: N801
        def came(self) -> None:
            pass


@faulty("ORD-15", "orders-job-states", node="ferry")
class FinishesTwice(Controller):
    def finish(self) -> None:
        super().finish()
        if self.job is not None:
            said = self.job.report() | {"state": "running"}
            self._report(said)


@faulty("ORD-16", "orders-job", node="ferry")
class NeverReportsTheEnd(Controller):
    def report_job(self) -> None:
        if self.job is not None and self.job.is_open:
            super().report_job()
