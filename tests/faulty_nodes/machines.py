"""Nodes that are wrong about their machine: berths and shuttles here, cranes in `cranes.py`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from protocol.counting import next_count
from protocol.guards import Order
from reference_node.controller.controller import Controller
from reference_node.mechanism.edge import Edge
from reference_node.roles.berth import Berth
from reference_node.roles.role import Role
from reference_node.roles.shuttle import Shuttle
from tests.faulty_nodes.faulty import faulty
from tests.faulty_nodes.orders import without


@faulty("BER-01", "berth-comes-up")
class BerthComesUpEmpty(Controller):
    class berth_class(Berth):  # noqa: N801
        def __init__(self, *args: Any, **kwargs: Any) -> None:
            super().__init__(*args, **kwargs)
            self.machine.fire("reset-fault", {"order": {"found": "none"}})


@faulty("BER-03", "berth-lost-refuses")
class BerthAdmitsFromAnyState(Controller):
    desk_class = without("state_forbids")


@faulty("BER-04", "berth-ignores-pulses")
class BerthCountsPulses(Controller):
    """Takes the second end pulse for the end of the train, armed or not."""

    class berth_class(Berth):  # noqa: N801
        pulses = 0

        def edge(self, edge: Edge) -> None:
            if self.state == "admitting" and edge.sensor == "end" and edge.closed:
                self.pulses += 1
                if self.pulses % 2 == 0:
                    super().edge(Edge(edge.at_us, "arming", True))
            super().edge(edge)


@faulty("BER-04", "berth-ignores-pulses")
class BerthHidesIgnoredPulses(Controller):
    class berth_class(Berth):  # noqa: N801
        def body(self) -> dict[str, Any]:
            return super().body() | {"ignored": 0}


@faulty("BER-06", "berth-arrival")
class BerthCountsNoArrivals(Controller):
    class berth_class(Berth):  # noqa: N801
        def accept(self, order: Order, now_ms: int) -> None:
            super().accept(order, now_ms)
            self.count = 0


@faulty("BER-06", "berth-counts-arrivals")
class BerthCountsRefusedAdmits(Controller):
    def answer(self, order: Order, state: str, reason: str | None = None) -> None:
        super().answer(order, state, reason)
        berth = self.roles["berth"]
        if order["act"] == "admit" and state == "refused" and isinstance(berth, Berth):
            berth.count = next_count(berth.count)


@faulty("BER-07", "berth-found-empty")
class BerthBelievesAnyReset(Controller):
    class berth_class(Berth):  # noqa: N801
        def reset_fault(self, order: Order, now_ms: int) -> None:
            super().reset_fault({**order, "found": "none"}, now_ms)


@faulty("BER-05", "berth-not-armed")
class BerthNamesTheWrongFault(Controller):
    def halt(self, role: Any, code: str, part: str | None = None) -> None:
        super().halt(role, "train-stuck" if code == "not-armed" else code, part)


@faulty("BER-05", "berth-end-missed")
class BerthWaitsTwoSecondsLonger(Controller):
    class berth_class(Berth):  # noqa: N801
        def __init__(self, host: Any, site: Any, motor: Any, levels: Any) -> None:
            super().__init__(host, replace(site, end_timeout_ms=site.end_timeout_ms + 2000), motor, levels)


@faulty("BER-05", "berth-end-missed")
class BerthForgetsItsTimeOutAtAHold(Controller):
    class berth_class(Berth):  # noqa: N801
        def resume(self, now_ms: int) -> None:
            super().resume(now_ms + 3_600_000)


@faulty("BER-05", "berth-not-armed")
class BerthWaitsForeverToBeArmedAfterAHold(Controller):
    class berth_class(Berth):  # noqa: N801
        def resume(self, now_ms: int) -> None:
            super().resume(now_ms + (3_600_000 if self.state == "admitting" else 0))


@faulty("HLD-05", "hold-keeps-time-out")
class BerthWaitsForeverForATrainToLeaveAfterAHold(Controller):
    class berth_class(Berth):  # noqa: N801
        def resume(self, now_ms: int) -> None:
            super().resume(now_ms + (3_600_000 if self.state == "leaving" else 0))


@faulty("BER-02", "berth-departs")
class BerthTimesATrainFromItsFirstPulse(Controller):
    class berth_class(Berth):  # noqa: N801
        def _leave(self, now_ms: int, *, sensed: bool) -> bool:
            return super()._leave(now_ms, sensed=sensed and not self._saw_it_move)


@faulty("FLT-06", "faults-halt")
class ClearsAPowerLossThatLasts(Controller):
    def may_clear(self, code: str) -> bool:
        return code != "load-unsure"


@faulty("BER-08", "berth-bounce")
class BerthDoesNotDebounce(Controller):
    class berth_class(Berth):  # noqa: N801
        def __init__(self, host: Any, site: Any, motor: Any, levels: Any) -> None:
            super().__init__(host, replace(site, debounce_ms=1), motor, levels)


@faulty("BER-02", "berth-states")
class BerthSkipsAdmitting(Controller):
    class berth_class(Berth):  # noqa: N801
        def body(self) -> dict[str, Any]:
            said = super().body()
            return said | ({"state": "armed"} if said["state"] == "admitting" else {})


def settled_from(when: float) -> Any:
    """A role that takes a sensor which changes for a push from `when` on: at once, or never."""

    def stands(self: Role, now_ms: int) -> None:
        self._settled_ms = when  # type: ignore[assignment]

    return stands


@faulty("BER-10", "berth-pushed")
class SeesNoTrainThatIsPushed(Controller):
    class berth_class(Berth):  # noqa: N801
        stands = settled_from(float("inf"))


@faulty("BER-10", "berth-pushed")
class TakesSettlingForAPush(Controller):
    class berth_class(Berth):  # noqa: N801
        stands = settled_from(0)


@faulty("BER-10", "berth-pushed")
class TakesAHoldForAnExcuse(Controller):
    class berth_class(Berth):  # noqa: N801
        def was_pushed(self, changed: Sequence[str], now_ms: int, requirement: str) -> bool:
            return not self.host.held and super().was_pushed(changed, now_ms, requirement)


@faulty("HLD-05", "hold-keeps-time-out", node="ferry")
class ShuttleForgetsItsTimeOutAtAHold(Controller):
    class shuttle_class(Shuttle):  # noqa: N801
        def resume(self, now_ms: int) -> None:
            super().resume(now_ms + 3_600_000)


@faulty("SHT-07", "shuttle-pushed", node="ferry")
class SeesNoShuttleThatIsPushed(Controller):
    class shuttle_class(Shuttle):  # noqa: N801
        stands = settled_from(float("inf"))


@faulty("SHT-07", "shuttle-pushed", node="ferry")
class IsLostWhileItSettles(Controller):
    class shuttle_class(Shuttle):  # noqa: N801
        stands = settled_from(0)


@faulty("SHT-07", "shuttle-pushed", node="ferry")
class FeelsOnlyStopsThatClose(Controller):
    """It is pushed off its stop and notices it at the next one, if it comes so far."""

    class shuttle_class(Shuttle):  # noqa: N801
        def was_pushed(self, changed: Sequence[str], now_ms: int, requirement: str) -> bool:
            closed = [name for name in changed if self.lines[name].level]
            return super().was_pushed(closed, now_ms, requirement)


@faulty("MSG-14", "bench-inputs", node="north")
class CountsItsSensorsFromTheOtherEnd(Controller):
    def sensors(self, role: Role) -> tuple[str, ...]:
        return tuple(reversed(super().sensors(role)))


@faulty("MSG-14", "bench-inputs")
class SaysTheLevelsOfItsStart(Controller):
    def _inputs(self, role: Role) -> dict[str, Any]:
        return {"inputs": 0}
