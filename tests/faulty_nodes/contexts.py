"""Nodes that are right at first, and wrong in a context: on a later connection, after a job that failed, at a limit."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

from protocol.guards import ORDER_GUARDS, Order
from protocol.participant import Delivery, Publication
from protocol.specification import specification
from reference_node.controller.controller import Controller
from reference_node.controller.inbox import Inbox
from reference_node.controller.order_desk import OrderDesk
from reference_node.roles.berth import Berth
from reference_node.roles.crane import Crane
from tests.faulty_nodes.faulty import faulty


# ---------------------------------------------------------------- later connections
@faulty("HLD-03", "link-keeps-state")
class ForgetsItsHoldAtAReconnect(Controller):
    def connected(self, now_ms: int) -> Sequence[Publication]:
        if self.link and self.held:
            self.held = False
        return super().connected(now_ms)


@faulty("ORD-08", "link-keeps-state", node="ferry")
class LowersItsMarkAtALaterConnection(Controller):
    def connected(self, now_ms: int) -> Sequence[Publication]:
        if self.link >= 2:
            self.mark = 0
        return super().connected(now_ms)


@faulty("MSG-10", "link-keeps-state", node="north")
class ForgetsAnOpenJobAtAReconnect(Controller):
    def connected(self, now_ms: int) -> Sequence[Publication]:
        if self.link and self.job_open:
            self.job = None
        return super().connected(now_ms)


# ---------------------------------------------------------------- jobs that ended otherwise than done
def _does_again(state: str) -> type[OrderDesk]:
    class Desk(OrderDesk):
        def repeat(self, order: Order, reason: str) -> None:
            job = self.node.job
            if job is not None and job.state == state and order["act"] == job.act:
                self.node.begin(order)
            else:
                super().repeat(order, reason)

    return Desk


@faulty("ORD-06", "faults-halt", node="north")
class DoesAFailedJobAgain(Controller):
    desk_class = _does_again("failed")


@faulty("ORD-06", "orders-cancel-open", node="north")
class DoesACancelledJobAgain(Controller):
    desk_class = _does_again("cancelled")


# ---------------------------------------------------------------- time, counts and limits
@faulty("MSG-09", "bench-job-across-wrap", node="ferry")
class StopsItsJobAtTheWrap(Controller):
    _last = 0

    def _pass_time(self, now_ms: int) -> None:
        super()._pass_time(now_ms)
        wrapped, self._last = self.uptime < self._last - 2**31, self.uptime
        if wrapped and self.job is not None and self.job.state == "running":
            self.power_lost()

    def obey(self, order: Order) -> None:
        super().obey(order)
        self._last = self.uptime


@faulty("BEN-02", "berth-times-arrival")
class KeepsTheTimeOfItsSlowestArrival(Controller):
    class berth_class(Berth):  # noqa: N801
        slowest = 0

        def body(self) -> dict[str, Any]:
            said = super().body()
            if "arm_to_end" in said:
                self.slowest = said["arm_to_end"] = max(self.slowest, said["arm_to_end"])
            return said


@faulty("FLT-04", "faults-wrong-count", node="ferry")
class TakesTheFaultCountBefore(Controller):
    class desk_class(OrderDesk):  # noqa: N801
        guards = ORDER_GUARDS | {
            "faults_moved_on": lambda order, node: (
                order["act"] == "reset-fault" and (node.faults - order["faults"]) % 65536 > 1
            )
        }


@faulty("BEN-03", "bench-starts-rise")
class CountsItsFirstStartsOnly(Controller):
    def node_status(self) -> dict[str, Any]:
        body = super().node_status()
        return body | ({"starts": min(body["starts"], 6)} if "starts" in body else {})


@faulty("CRN-04", "crane-reach", node="north")
class RefusesTheVeryEndOfAnAxis(Controller):
    class crane_class(Crane):  # noqa: N801
        def _reaches(self, target: Sequence[int]) -> bool:
            most = [axis.most for axis in self._crane.axes]
            return super()._reaches(target) and all(at < end for at, end in zip(target, most, strict=True))


@faulty("CRN-06", "crane-table", node="south")
class RefusesTheLastReadingOfItsTable(Controller):
    class crane_class(Crane):  # noqa: N801
        def within_table(self, order: Order) -> bool:
            tables = [place.table for place in self._crane.places.values() if place.table]
            last = max(table[-1][0] for table in tables)
            return order.get("reading") != last and super().within_table(order)


# ---------------------------------------------------------------- what cannot be read, in every act
@faulty("ENC-10", "encoding-unreadable", node="south")
class TakesATextForItsNumber(Controller):
    """Reads numbers with a function that takes text too, as JavaScript and some C do."""

    class inbox_class(Inbox):  # noqa: N801
        def read(self, delivery: Delivery) -> Order | None:
            try:
                body = json.loads(delivery.payload)
                text = {key for key, one in body.items() if str(one).isdigit()} - {"id", "boot", "token"}
                fixed = {key: int(one) if key in text else one for key, one in body.items()}
            except (ValueError, AttributeError):
                return super().read(delivery)
            payload = json.dumps(fixed, separators=(",", ":")).encode()
            return super().read(Delivery(delivery.topic, payload, delivery.qos))


@faulty("ENC-10", "encoding-unreadable", node="south")
class LooksIntoNoUnknownField(Controller):
    """Skips what it does not know, however deep that is, but for an ask."""

    class inbox_class(Inbox):  # noqa: N801
        def read(self, delivery: Delivery) -> Order | None:
            try:
                body = json.loads(delivery.payload)
                known = specification().acts[body["act"]]["properties"]
            except (ValueError, TypeError, KeyError):
                return super().read(delivery)
            if body["act"] == "ask":
                return super().read(delivery)
            kept = {key: one for key, one in body.items() if key in known}
            return super().read(
                Delivery(delivery.topic, json.dumps(kept, separators=(",", ":")).encode(), delivery.qos)
            )
