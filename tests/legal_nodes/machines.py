"""Other machines: how they find home, come to rest, feel a train, and how fast they are."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from typing import Any

from protocol.guards import Order
from protocol.site import BerthSite, Site
from reference_node.controller.controller import Controller
from reference_node.machines.node_machines import Machines
from reference_node.mechanism.shuttle_car import ShuttleCar, ShuttleTrack
from reference_node.roles.berth import Berth, Motor
from reference_node.roles.crane import Crane
from reference_node.roles.leg import Leg
from reference_node.roles.role import Host
from reference_node.roles.shuttle import Shuttle
from reference_node.sensing.arrival import Arrival, arrival_settings
from reference_node.sensing.debounce import Debounce
from tests.legal_nodes.legal import BERTH, CRANES, IN_SERVICE, ON_BENCH, SHUTTLE, legal


def axes(**change: float) -> Callable[[Site], Site]:
    """The site with other figures for every axis."""

    def changed(site: Site) -> Site:
        nodes = {
            name: replace(
                node,
                crane=replace(node.crane, axes=tuple(replace(axis, **change) for axis in node.crane.axes)),  # type: ignore[arg-type]
            )
            if node.crane
            else node
            for name, node in site.nodes.items()
        }
        return replace(site, nodes=nodes)

    return changed


def sensors(*, load: bool) -> Callable[[Site], Site]:
    """The site with load sensors at its cranes, or without."""

    def changed(site: Site) -> Site:
        nodes = {
            name: replace(node, crane=replace(node.crane, load_sensor=load)) if node.crane else node
            for name, node in site.nodes.items()
        }
        return replace(site, nodes=nodes)

    return changed


# ---------------------------------------------------------------- cranes
class _EdgeCrane(Crane):
    """Takes a home switch for found when it closes, not while it is closed."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        self._closed: Counter[str] = Counter()
        self._before: Counter[str] = Counter()
        super().__init__(*args, **kwargs)

    def _settle_sensors(self, now_ms: int) -> bool:
        before = {name: line.level for name, line in self.lines.items()}
        felt = super()._settle_sensors(now_ms)
        for name, line in self.lines.items():
            self._closed[name] += line.level and not before[name]
        return felt

    def _homing(self, axis: int) -> Leg:
        leg = super()._homing(axis)
        switch = self._switches[axis]

        def begin() -> None:
            self._before[switch] = self._closed[switch]
            leg.begin()

        return Leg(leg.step, begin, partial(self._at_home, axis))

    def _at_home(self, axis: int) -> bool:
        switch = self._switches[axis]
        if self.host.bench and self._closed[switch] == self._before[switch]:
            return False
        return super()._at_home(axis) if not self.host.bench else self._found_at_the_edge(axis)

    def _found_at_the_edge(self, axis: int) -> bool:
        self._found[axis] = not self._crane_machine.turning(axis) and self._crane_machine.homed(axis)
        return self._found[axis]


@legal(CRANES)
class HomesOnTheEdge(Controller):
    """Takes a home switch for found as it closes, one axis after the other."""

    crane_class = _EdgeCrane


@legal(CRANES)
class HomesItsFirstAxisFirst(Controller):
    """Homes its axes in the order of the site file, once the hoist is up."""

    class crane_class(Crane):  # noqa: N801
        def legs(self, order: Order) -> list[Leg]:
            legs = super().legs(order)
            return legs[::-1] if order["act"] == "home" else legs


@legal(CRANES)
class HomesAllAxesAtOnce(Controller):
    """Homes all its axes at the same time."""

    class crane_class(Crane):  # noqa: N801
        def legs(self, order: Order) -> list[Leg]:
            legs = super().legs(order)
            if order["act"] != "home":
                return legs

            def begin() -> None:
                for leg in legs:
                    leg.begin()

            return [Leg("homing", begin, lambda: sum(leg.ended() for leg in legs) == len(legs))]


@legal(CRANES, site=axes(acceleration=120))
class ComesToRestSlowly(Controller):
    """Takes some seconds to come to rest."""


@legal(CRANES, site=axes(speed=4000, acceleration=60_000))
class IsVeryFast(Controller):
    """Has homed, parked or jogged before the next order comes."""


@legal(CRANES, (IN_SERVICE,), site=axes(speed=30_000, acceleration=30_000_000))
class IsOverAtOnce(Controller):
    """Has homed within a few milliseconds, so that a hold or a cancel finds its job over."""


@legal(CRANES, site=axes(speed=60, acceleration=100))
class IsVerySlow(Controller):
    """Takes its time."""


@legal(CRANES, site=sensors(load=False))
class FeelsNoLoad(Controller):
    """Has no load sensor."""


@legal(CRANES)
class SaysWhereItIsSeldom(Controller):
    """Says where a moving crane is no more often than it must."""

    def beat_ms(self, message: str) -> int:
        return self.heartbeat.due_ms(message, self._now_ms)


@legal(CRANES)
class RaisesItsHoistTwice(Controller):
    """Starts a motor more often than needed: it looks twice whether its hoist is up."""

    class crane_class(Crane):  # noqa: N801
        def _route(self, step: str, there: Any, lower: str | None = None) -> list[Leg]:
            return [self._up(step), *super()._route(step, there, lower)]


# ---------------------------------------------------------------- berths
class _Leaves(Berth):
    by: tuple[str, ...] = ()

    def tick(self, now_ms: int) -> bool:
        if self.state != "leaving":
            return super().tick(now_ms)
        changed = [name for name, line in self.lines.items() if line.settle(now_ms * 1000) is not None]
        # It looks at one of them to see the train move, and at both to see it gone.
        return self._leave(now_ms, sensed=bool(changed if self._saw_it_move else set(changed) & set(self.by)))


@legal(BERTH)
class SeesATrainLeaveByItsArmingSensor(Controller):
    """Takes a train for gone some time after its arming sensor has seen it."""

    class berth_class(_Leaves):  # noqa: N801
        by = ("arming",)


@legal(BERTH, (ON_BENCH,))
class SeesATrainLeaveByItsEndSensor(Controller):
    """Takes a train for gone some time after its end sensor has seen it."""

    class berth_class(_Leaves):  # noqa: N801
        by = ("end",)


@legal(BERTH, (ON_BENCH,))
class SeesATrainLeaveByBoth(Controller):
    """Takes a train for gone only once both sensors have seen it."""

    class berth_class(Berth):  # noqa: N801
        def tick(self, now_ms: int) -> bool:
            if self.state != "leaving":
                self._seen: set[str] = set()
                return super().tick(now_ms)
            changed = [name for name, line in self.lines.items() if line.settle(now_ms * 1000) is not None]
            self._seen |= set(changed)
            return self._leave(now_ms, sensed=bool(changed) and self._seen >= {"arming", "end"})


@legal(BERTH)
class LetsATrainRollLong(Controller):
    """Waits for 9 s after the end sensor until it takes the train to stand."""

    class berth_class(Berth):  # noqa: N801
        def __init__(self, host: Host, site: BerthSite, motor: Motor, levels: dict[str, bool]) -> None:
            super().__init__(host, site, motor, levels)
            self.arrival = Arrival(replace(arrival_settings(site), rest_ms=9_000))


@legal(BERTH, (ON_BENCH,))
class StandsAsSoonAsItsEndSensorCloses(Controller):
    """Brakes so hard that the train stands where its end sensor closes."""

    class berth_class(Berth):  # noqa: N801
        def __init__(self, host: Host, site: BerthSite, motor: Motor, levels: dict[str, bool]) -> None:
            super().__init__(host, site, motor, levels)
            self.arrival = Arrival(replace(arrival_settings(site), rest_ms=1))


@legal(BERTH)
class TakesTheFirstEdge(Controller):
    """Debounces by believing an edge at once and nothing behind it for a while."""

    class berth_class(Berth):  # noqa: N801
        def __init__(self, host: Host, site: BerthSite, motor: Motor, levels: dict[str, bool]) -> None:
            super().__init__(host, site, motor, levels)
            self.lines = {
                name: Lockout(line.level, site.debounce_ms * 1000) for name, line in self.lines.items()
            }
            self.arrival = LockoutArrival(arrival_settings(site))


class Lockout(Debounce):
    """Believes a change at once, and looks again when the debounce time is over."""

    def __init__(self, level: bool, settle_us: int) -> None:
        self.level = self._raw = level
        self._settle_us, self._free_us, self._told_us = settle_us, 0, 0
        self._new = False

    @property
    def due_us(self) -> int | None:
        if self._new:
            return self._told_us
        return None if self._raw == self.level else self._free_us

    def feed(self, at_us: int, closed: bool) -> None:
        self._raw = closed
        if at_us < self._free_us:
            self._free_us = at_us + self._settle_us
        elif closed != self.level and not self._new:
            self._told_us, self._new, self._free_us = at_us, True, at_us + self._settle_us

    def settle(self, now_us: int) -> int | None:
        if self._new:
            self._new, self.level = False, not self.level
            return self._told_us
        if self._raw != self.level and now_us >= self._free_us:
            self.level, self._told_us, self._free_us = self._raw, self._free_us, now_us + self._settle_us
            return self._told_us
        return None


class LockoutArrival(Arrival):
    """An arrival over such lines."""

    def _clear(self, now_ms: int, levels: Any) -> None:
        super()._clear(now_ms, levels)
        self._lines = {name: Lockout(levels[name], self._settings.settle_us) for name in levels}


# ---------------------------------------------------------------- shuttles
@legal(SHUTTLE)
class RollsOnOverItsStop(Controller):
    """Stands 1.2 s after the sensor of its stop, not at once."""

    class shuttle_class(Shuttle):  # noqa: N801
        _rolls_until_ms = 0

        def tick(self, now_ms: int) -> bool:
            reached = self._reached
            if reached is not None and self._rolls_until_ms and now_ms < self._rolls_until_ms:
                self._reached = None
                acted = super().tick(now_ms)
                self._reached = reached
                return acted
            acted = super().tick(now_ms)
            if self._reached is not None and reached is None:
                self._rolls_until_ms = now_ms + 1_200
            return acted

        @property
        def due_ms(self) -> int | None:
            due = super().due_ms
            rolls = self._rolls_until_ms if self._reached is not None else None
            return min((one for one in (due, rolls) if one is not None), default=None)


def _fast_car(machines: Machines) -> None:
    shuttle = machines.shuttle
    if shuttle is not None:
        line = shuttle.car.line
        shuttle.car = ShuttleCar(ShuttleTrack(line.stops, 100_000.0, 1e9, line.window), 0.0)


@legal(SHUTTLE, (IN_SERVICE,), machines=_fast_car)
class ArrivesAtOnce(Controller):
    """Is there within a few milliseconds, so that a hold or a cancel finds its job over."""


@legal(SHUTTLE, (IN_SERVICE,))
class StartsItsMotorWhereItStands(Controller):
    """Switches its motor on for a run to where it stands, too."""

    class shuttle_class(Shuttle):  # noqa: N801
        def start(self, now_ms: int) -> None:
            there = self._place == self._target
            super().start(now_ms)
            if there:
                self._car.run_to(self._target)
