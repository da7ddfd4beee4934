"""Cranes and shuttles that are wrong about their machine."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from protocol.counting import next_count
from protocol.guards import Order
from protocol.position_table import OutsideTable
from protocol.site import CranePlace
from reference_node.controller.controller import Controller
from reference_node.roles.crane import Crane, Load
from reference_node.roles.shuttle import Shuttle
from tests.faulty_nodes.faulty import faulty
from tests.faulty_nodes.orders import without

# ---------------------------------------------------------------- cranes


@faulty("CRN-01", "crane-comes-up", node="north")
class CraneComesUpReady(Controller):
    class crane_class(Crane):  # noqa: N801
        def body(self) -> dict[str, Any]:
            said = super().body()
            return said | ({"mode": "ready"} if said["mode"] == "unhomed" else {})


@faulty("CRN-09", "crane-load-unsure", node="north", load_sensor=False)
class CraneTrustsAnEmptySpreader(Controller):
    """Knows no more after a reset than any other crane without a load sensor, and says 'none'."""

    class crane_class(Crane):  # noqa: N801
        def load_at_start(self) -> Load:
            return "none"


@faulty("CRN-09", "crane-load-unsure", node="north", load_sensor=False)
class CraneIsUnsureInSilence(Controller):
    """Says 'unsure', and no fault."""

    class crane_class(Crane):  # noqa: N801
        def __init__(self, *args: Any, **kwargs: Any) -> None:
            super().__init__(*args, **kwargs)
            self.host.settle("load-unsure")


@faulty("CRN-02", "crane-modes", node="north")
class CraneWorksWithoutSayingSo(Controller):
    class crane_class(Crane):  # noqa: N801
        def body(self) -> dict[str, Any]:
            said = super().body()
            return said | ({"mode": "working"} if said["mode"] == "homing" else {})


@faulty("CRN-03", "crane-unhomed-refuses", node="north")
class CraneParksUnhomed(Controller):
    class crane_class(Crane):  # noqa: N801
        def allows(self, act: str) -> bool:
            return act == "park" or super().allows(act)


@faulty("CRN-04", "crane-reach", node="north")
class CraneGoesOneTooFar(Controller):
    class crane_class(Crane):  # noqa: N801
        def _reaches(self, target: Sequence[int]) -> bool:
            axes = self._crane.axes
            wide = [replace(axis, most=axis.most + 1) for axis in axes]
            return len(target) == len(axes) and all(
                a.least <= at <= a.most for a, at in zip(wide, target, strict=True)
            )


@faulty("CRN-04", "crane-reach", node="north")
class CraneTakesAnyNumberOfAxes(Controller):
    class crane_class(Crane):  # noqa: N801
        def within_reach(self, order: Order) -> bool:
            if order["act"] == "jog" and len(order["target"]) < len(self._crane.axes):
                return True
            return super().within_reach(order)

        def start(self, now_ms: int) -> None:
            if len(self._order.get("target", (0, 0, 0))) == len(self._crane.axes):
                super().start(now_ms)


@faulty("CRN-05", "crane-place", node="north")
class CraneOverlooksSlots(Controller):
    class crane_class(Crane):  # noqa: N801
        def _knows(self, order: Order, place: str, slot: int) -> bool:
            known = self._crane.places.get(place)
            return known is not None and super()._knows(order, place, min(slot, len(known.slots) - 1))

        def positions(self, order: Order, place: str, slot: int) -> tuple[int, ...]:
            known = self._crane.places[place]
            return super().positions(order, place, min(slot, len(known.slots) - 1))


@faulty("CRN-06", "crane-outside-table", node="south")
class CraneGoesOnBeyondItsTable(Controller):
    class crane_class(Crane):  # noqa: N801
        def shift(self, order: Order, place: CranePlace) -> int:
            try:
                return super().shift(order, place)
            except OutsideTable as outside:
                return super().shift(
                    {**order, "reading": min(max(outside.low, order["reading"]), outside.high)}, place
                )


@faulty("CRN-06", "crane-table", node="south")
class CraneTakesTheNextLowerEntry(Controller):
    class crane_class(Crane):  # noqa: N801
        def shift(self, order: Order, place: CranePlace) -> int:
            exact = super().shift(order, place)
            return max((at for reading, at in place.table if reading <= order["reading"]), default=exact)


@faulty("CRN-07", "crane-track-without-reading", node="south")
class CraneGuessesTheReading(Controller):
    class crane_class(Crane):  # noqa: N801
        def _knows(self, order: Order, place: str, slot: int) -> bool:
            return super()._knows({"reading": 0, **order}, place, slot)

        def shift(self, order: Order, place: CranePlace) -> int:
            return super().shift({"reading": 0, **order}, place)


@faulty("CRN-07", "crane-deck-without-stop", node="north")
class CraneNeedsNoStop(Controller):
    class crane_class(Crane):  # noqa: N801
        def _knows(self, order: Order, place: str, slot: int) -> bool:
            return super()._knows({"stop": 0, **order}, place, slot)


@faulty("CRN-08", "crane-empty-spreader", node="north")
class CraneSetsNothingDown(Controller):
    desk_class = without("load_forbids")


@faulty("CRN-10", "crane-transfer", node="north")
class CraneDoesNotNameItsBox(Controller):
    def _report(self, body: Any) -> None:
        super()._report({key: value for key, value in body.items() if key != "box"})


@faulty("CRN-11", "crane-homes", node="north")
class CraneIsHomedTooSoon(Controller):
    class crane_class(Crane):  # noqa: N801
        def body(self) -> dict[str, Any]:
            said = super().body()
            if said["mode"] == "homing":
                said["axes"] = [[at, target, True] for at, target, _ in said["axes"]]
            return said


@faulty("ORD-16", "crane-parks", node="north")
class CraneParksBesideTheMark(Controller):
    class crane_class(Crane):  # noqa: N801
        def _route(self, step: str, there: Sequence[int], lower: str | None = None) -> Any:
            parked = [axis.park for axis in self._crane.axes]
            beside = [there[0] + 1, *there[1:]] if list(there) == parked else there
            return super()._route(step, beside, lower)


@faulty("HLD-03", "hold-stops-crane", node="north")
class CraneGoesOnWhileHeld(Controller):
    class crane_class(Crane):  # noqa: N801
        def hold(self, now_ms: int) -> None:
            pass

        def resume(self, now_ms: int) -> None:
            pass


@faulty("ORD-17", "crane-cancel-too-late", node="north")
class CraneDropsItsJobInTheAir(Controller):
    def cancel_job(self) -> None:
        if self.job is not None:
            self.job.past_return = False
        super().cancel_job()


@faulty("FLT-02", "crane-pick-missed", node="north")
class CraneCarriesNothing(Controller):
    class crane_class(Crane):  # noqa: N801
        def _felt(self) -> Any:
            step = self._legs[0].step if self._legs else ""
            carries = step in ("grip", "lift", "travel-to-drop", "lower-to-drop")
            return "box" if carries else super()._felt()


# ---------------------------------------------------------------- shuttles


@faulty("SHT-01", "shuttle-comes-up", node="ferry")
class ShuttleComesUpAtItsFirstStop(Controller):
    class shuttle_class(Shuttle):  # noqa: N801
        def __init__(self, *args: Any, **kwargs: Any) -> None:
            super().__init__(*args, **kwargs)
            self.reset_fault({"place": self._site.stops[0]}, 0)


@faulty("SHT-03", "shuttle-lost-refuses", node="ferry")
class ShuttleRunsFromNowhere(Controller):
    desk_class = without("state_forbids")


@faulty("SHT-03", "shuttle-unknown-place", node="ferry")
class ShuttleRunsToUnknownPlaces(Controller):
    class shuttle_class(Shuttle):  # noqa: N801
        def knows_place(self, order: Order) -> bool:
            return True

        def start(self, now_ms: int) -> None:
            self._target = self._target if self._target in self._site.stops else self._site.stops[0]
            super().start(now_ms)


@faulty("HLD-05", "hold-keeps-time-out", node="north")
class CraneForgetsItsTimeOutAtAHold(Controller):
    class crane_class(Crane):  # noqa: N801
        def resume(self, now_ms: int) -> None:
            super().resume(now_ms)
            self._timeout_ms = None


@faulty("SHT-04", "shuttle-stop-missed", node="ferry")
class ShuttleWaitsTwoSecondsLonger(Controller):
    class shuttle_class(Shuttle):  # noqa: N801
        def __init__(self, host: Any, site: Any, machine: Any, levels: Any) -> None:
            super().__init__(host, replace(site, run_timeout_ms=site.run_timeout_ms + 2000), machine, levels)


@faulty("SHT-05", "shuttle-runs", node="ferry")
class ShuttleCountsNoStops(Controller):
    class shuttle_class(Shuttle):  # noqa: N801
        def body(self) -> dict[str, Any]:
            return super().body() | {"stop": 0}


@faulty("SHT-05", "shuttle-runs", node="ferry")
class ShuttleCountsDeparturesToo(Controller):
    class shuttle_class(Shuttle):  # noqa: N801
        def start(self, now_ms: int) -> None:
            super().start(now_ms)
            self.count = next_count(self.count)


@faulty("SHT-06", "shuttle-found", node="ferry")
class ShuttleBelievesItsSensor(Controller):
    class shuttle_class(Shuttle):  # noqa: N801
        def _passes(self, stop: str) -> None:
            if self.state == "lost":
                self.reset_fault({"place": stop}, self.host._now_ms)  # type: ignore[attr-defined]
            else:
                super()._passes(stop)


@faulty("SHT-02", "shuttle-passes-other-stops", node="ferry")
class ShuttleStopsAnywhere(Controller):
    class shuttle_class(Shuttle):  # noqa: N801
        def _passes(self, stop: str) -> None:
            if self.state == "moving":
                self._target = stop
            super()._passes(stop)
