"""The role of a crane: homes, parks, jogs, and moves one box at a time in steps that it reports."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from typing import Any, Literal

from protocol.counting import int16
from protocol.guards import Order
from protocol.position_table import OutsideTable, PositionTable
from protocol.site import HOME_SENSORS, CranePlace, CraneSite, PlaceKind, Site
from reference_node.machines.crane import BY_HAND_LINE, CraneMachine
from reference_node.roles.leg import Leg
from reference_node.roles.order_ends import ends_of
from reference_node.roles.role import Host, Role

SETTLE_US = 3_000
"""Debounce of home switches and load sensor."""

FEEL_MS = 1_500
"""How long the load sensor may take after the spreader has closed or opened."""

CARRYING = ("lift", "travel-to-drop", "lower-to-drop")
"""Steps in which a box that was picked must still be felt."""

Load = Literal["none", "box", "unsure"]


class Crane(Role):
    """Orders become legs, one after the other, through the modes of `tables/crane.toml`."""

    name = "crane"
    message = "crane-status"

    def __init__(
        self, host: Host, site: Site, crane: CraneSite, machine: CraneMachine, levels: dict[str, bool]
    ) -> None:
        self._site, self._crane, self._crane_machine = site, crane, machine
        self._switches = HOME_SENSORS[: len(crane.axes)]
        sensors = (*self._switches, BY_HAND_LINE, *(("load",) if crane.load_sensor else ()))
        super().__init__(host, dict.fromkeys(sensors, SETTLE_US), levels)
        self._order: Order = {}
        self._now_ms = 0
        self._legs: list[Leg] = []
        self._found = [False] * len(crane.axes)
        self._timeout_ms: int | None = None
        self._feel_until_ms: int | None = None
        self._held_ms: int | None = None
        self._resumed_ms: int | None = None
        self._braking = False
        self._load: Load = self.load_at_start()
        if self._load == "unsure":
            host.warn("load-unsure")

    # ---- what it says

    @property
    def load(self) -> str:
        """What the spreader holds, as far as the crane knows."""
        return self._load

    @property
    def moving(self) -> bool:
        """Whether a motor is on."""
        return not self._crane_machine.still

    @property
    def every_axis_homed(self) -> bool:
        """Whether the position of every axis is known."""
        return all(self.homed(axis) for axis in range(len(self._found)))

    def homed(self, axis: int) -> bool:
        """CRN-11: only from its homing on, and not after a loss of power."""
        return self._found[axis] and self._crane_machine.homed(axis)

    def body(self) -> dict[str, Any]:
        """Mode, axes, spreader and load."""
        machine = self._crane_machine
        axes = [
            [int16(machine.position(axis)), int16(machine.target(axis)), self.homed(axis)]
            for axis in range(len(self._found))
        ]
        return {"mode": self.state, "axes": axes, "spreader": machine.grip_state, "load": self.load}

    def gist(self) -> dict[str, Any]:
        """All but the positions as long as something moves: then they change all the time."""
        body = self.body()
        return body | {"axes": [axis[1:] for axis in body["axes"]]} if self.moving else body

    @property
    def due_ms(self) -> int | None:
        """Debounce, the time-out of the job, the wait for the load sensor, and a leg just resumed."""
        waits = [self._timeout_ms, self._feel_until_ms, self._resumed_ms]
        waits = waits if self._legs and self._held_ms is None else []
        return min((due for due in [self.lines_due_ms, *waits] if due is not None), default=None)

    # ---- questions of the guards

    def load_at_start(self) -> Load:
        """CRN-09: without a sensor nobody knows after a start what hangs there."""
        return self._felt() if self._crane.load_sensor else "unsure"

    def load_fits(self, order: Order) -> bool:
        """With 'from' the spreader has to be empty, else a box hangs in it [CRN-08]; unsure is neither [CRN-09]."""
        return order["act"] != "transfer" or self._load == ("none" if "from" in order else "box")

    def knows_place(self, order: Order) -> bool:
        """CRN-05, CRN-07; with one reading in an order, both ends cannot be trains [SUP-23]."""
        ends = ends_of(order)
        tracks = {place for place, _ in ends if self._kind(place) is PlaceKind.TRACK}
        return len(tracks) < 2 and all(self._knows(order, place, slot) for place, slot in ends)

    def within_table(self, order: Order) -> bool:
        """CRN-06: outside the measured table the line is a guess."""
        try:
            for place, slot in ends_of(order):
                self.positions(order, place, slot)
        except OutsideTable:
            return False
        return True

    def within_reach(self, order: Order) -> bool:
        """Whether every axis can get there, and there are as many targets as axes [CRN-04]."""
        wanted = [self.positions(order, place, slot) for place, slot in ends_of(order)]
        wanted += [order["target"]] if order["act"] == "jog" else []
        return all(self._reaches(target) for target in wanted)

    def finding_fits(self, order: Order) -> bool:
        """A person can say what hangs in the spreader."""
        return order.get("found") in ("none", "box") and "place" not in order

    def positions(self, order: Order, place: str, slot: int) -> tuple[int, ...]:
        """Every axis over a slot; on a track the first one from the train [CRN-06]. Raises OutsideTable."""
        known = self._crane.places[place]
        first, *others = known.slots[slot]
        return (first + self.shift(order, known), *others)

    def shift(self, order: Order, place: CranePlace) -> int:
        """What the train's rest adds to the first axis, by the measured table; nothing at other places."""
        return PositionTable.of(place.table).position(order["reading"]) if place.table else 0

    def _knows(self, order: Order, place: str, slot: int) -> bool:
        known = self._crane.places.get(place)
        if known is None or slot >= len(known.slots):
            return False
        kind = self._kind(place)
        needed = {PlaceKind.TRACK: "reading", PlaceKind.DECK: "stop"}.get(kind) if kind is not None else None
        return needed is None or needed in order

    def _kind(self, place: str) -> PlaceKind | None:
        known = self._site.places.get(place)
        return None if known is None else known.kind

    def _reaches(self, target: Sequence[int]) -> bool:
        axes = self._crane.axes
        return len(target) == len(axes) and all(
            axis.least <= position <= axis.most for axis, position in zip(axes, target, strict=True)
        )

    # ---- jobs

    def accept(self, order: Order, now_ms: int) -> None:
        """Keep the order until its start."""
        self._order = order

    def start(self, now_ms: int) -> None:
        """Turn the order into legs and begin the first."""
        self.machine.fire(self._order["act"])
        self._legs = self.legs(self._order)
        self._timeout_ms = now_ms + self._crane.job_timeout_ms
        self._begin(now_ms)

    def legs(self, order: Order) -> list[Leg]:
        """What the order consists of; the hoist goes up before anything else moves."""
        match order["act"]:
            case "home":
                self._found = [False] * len(self._found)
                hoist = self._hoist
                return [self._homing(axis) for axis in (hoist, *range(hoist))]
            case "park":
                return self._route("travel", [axis.park for axis in self._crane.axes])
            case "jog":
                return self._route("travel", order["target"])
        legs = self._picking(order) if "from" in order else [self._up("lift")]
        return legs + self._dropping(order)

    def _picking(self, order: Order) -> list[Leg]:
        there = self.positions(order, order["from"], order["from_slot"])
        ready = Leg("travel-to-pick", self._crane_machine.release, self._is_open)
        grip = Leg("grip", self._grip, self._gripped)
        return [ready, *self._route("travel-to-pick", there, "lower-to-pick"), grip, self._up("lift")]

    def _dropping(self, order: Order) -> list[Leg]:
        there = self.positions(order, order["to"], order["to_slot"])
        release = Leg("release", self._crane_machine.release, self._released)
        return [*self._route("travel-to-drop", there, "lower-to-drop"), release, self._up("clear")]

    def _route(self, step: str, there: Sequence[int], lower: str | None = None) -> list[Leg]:
        """Hoist up, the other axes over, hoist down."""
        hoist = self._hoist
        over = {axis: there[axis] for axis in range(hoist)}
        return [self._up(step), self._move(step, over), self._move(lower or step, {hoist: there[hoist]})]

    def _up(self, step: str) -> Leg:
        return self._move(step, {self._hoist: self._crane.travel})

    def _move(self, step: str, targets: dict[int, int]) -> Leg:
        return Leg(step, partial(self._set_out, targets), partial(self._arrived, targets))

    def _set_out(self, targets: dict[int, int]) -> None:
        for axis, target in targets.items():
            self._crane_machine.move(axis, target)

    def _homing(self, axis: int) -> Leg:
        seek_home = partial(self._crane_machine.seek_home, axis)
        return Leg("homing", seek_home, partial(self._at_home, axis))

    @property
    def _hoist(self) -> int:
        return len(self._crane.axes) - 1

    # ---- how a leg ends: True, False for not yet, or a fault

    def _arrived(self, targets: dict[int, int]) -> bool:
        for axis, target in targets.items():
            if self._crane_machine.turning(axis):
                return False
            if self._crane_machine.position(axis) != target:
                self.host.halt(self, "axis-stuck", self._crane.axes[axis].name)
                return False
        return True

    def _at_home(self, axis: int) -> bool:
        """The switch is the machine's own in service; on the bench it is the tester's [BEN-02]."""
        if self._crane_machine.turning(axis):
            return False
        if not self._crane_machine.homed(axis):
            self.host.halt(self, "home-missed", self._crane.axes[axis].name)
            return False
        self._found[axis] = not self.host.bench or self.lines[self._switches[axis]].level
        return self._found[axis]

    def _is_open(self) -> bool:
        """The spreader, which holds nothing, is open for the box; after a miss it is not [CRN-12]."""
        return self._crane_machine.grip_state == "open"

    def _grip(self) -> None:
        """From here on something may be picked [ORD-17]."""
        self.host.past_return()
        self._crane_machine.grip()

    def _gripped(self) -> bool:
        return self._changed_load("box", "pick-missed")

    def _released(self) -> bool:
        return self._changed_load("none", "drop-failed")

    def _changed_load(self, wanted: Load, otherwise: str) -> bool:
        """The spreader has moved, and a sensor, if there is one, feels the load that was wanted."""
        if self._crane_machine.grip_state == "moving":
            return False
        if not self._crane.load_sensor:
            self._load = wanted
        return self._load == wanted or self._waits_to_feel(otherwise)

    def _waits_to_feel(self, otherwise: str) -> Literal[False]:
        if self._feel_until_ms is None:
            self._feel_until_ms = self._now_ms + FEEL_MS
        elif self._now_ms >= self._feel_until_ms:
            self.host.halt(self, otherwise, "spreader")
        return False

    # ---- time

    def tick(self, now_ms: int) -> bool:
        """Believe the sensors, then go on with the leg under way."""
        self._now_ms = now_ms
        felt = self._settle_sensors(now_ms)
        if self._follow_hand():
            return True
        if self._braking:
            return self._come_to_rest() or felt
        if not self._legs or self._held_ms is not None:
            return felt
        return self._proceed(now_ms) or felt

    def _settle_sensors(self, now_ms: int) -> bool:
        settled = [line.settle(now_ms * 1000) is not None for line in self.lines.values()]
        if self._crane.load_sensor:
            self._feel_load()
        return any(settled)

    def _feel_load(self) -> None:
        """After a fault nobody knows the load until its sensor has settled; that the fault is reset tells nothing."""
        if self.lines["load"].due_us is None:
            self._load = self._felt()
        elif self.state == "faulted":
            self._load = "unsure"

    def _follow_hand(self) -> bool:
        """Moved by hand from the switch on, once no job is open; after it no position means anything [CRN-11]."""
        by_hand, before = self.lines[BY_HAND_LINE].level, self.state
        if by_hand is (before == "manual") or self.host.job_open:
            return False
        self.machine.fire("by-hand" if by_hand else "by-hand-end")
        if self.state == before:
            return False
        self._found = [False] * len(self._found)
        return True

    def _felt(self) -> Load:
        return "box" if self.lines["load"].level else "none"

    def _proceed(self, now_ms: int) -> bool:
        leg = self._legs[0]
        self._resumed_ms = None
        if self._timeout_ms is not None and now_ms >= self._timeout_ms:
            self.host.halt(self, "home-missed" if leg.step == "homing" else "axis-stuck", self._slowest())
            return True
        if leg.step in CARRYING and self._load != "box":
            self.host.halt(self, "pick-missed", "spreader")
            return True
        if not leg.ended():
            return not self._legs
        self._legs.pop(0)
        self._feel_until_ms = None
        self._begin(now_ms)
        return True

    def _begin(self, now_ms: int) -> None:
        """Begin the next leg, or be done with the job."""
        if not self._legs:
            self._timeout_ms = None
            self.machine.fire("finish")
            self.host.finish()
            return
        leg = self._legs[0]
        if leg.step == "lift":
            self.host.past_return()
        self.host.step(leg.step)
        leg.begin()

    def _slowest(self) -> str:
        """The axis that the job waits for, as the part of its fault."""
        machine = self._crane_machine
        late = (a for a in range(len(self._found)) if not machine.arrived(a) or not self.homed(a))
        return self._crane.axes[next(late, self._hoist)].name

    # ---- what else may happen

    def cancel(self, now_ms: int) -> None:
        """ORD-17: nothing was picked, so leaving off is enough."""
        self._stop()
        self._braking = self.state in ("homing", "working")
        if self._braking:
            self._come_to_rest()

    def _come_to_rest(self) -> bool:
        """CRN-11: 'ready' means that every axis stands on its target, so the mode waits for that."""
        if self.moving:
            return False
        self._braking = False
        self.machine.fire("cancel")
        return True

    def hold(self, now_ms: int) -> None:
        """HLD-03: the axes come to rest, time-outs stop."""
        self._held_ms = now_ms
        self._crane_machine.brake()

    def resume(self, now_ms: int) -> None:
        """HLD-05: the leg under way begins again where it was stopped."""
        if self._held_ms is None:
            return
        if self._timeout_ms is not None:
            self._timeout_ms += now_ms - self._held_ms
        self._held_ms, self._feel_until_ms = None, None
        if self._legs:
            self._legs[0].begin()
            self._resumed_ms = now_ms  # It may have come to rest where it was going: then no machine tells.

    def halt(self, now_ms: int) -> None:
        """FLT-02: the job is over, the machine stops, and what was known of a box half picked is gone."""
        half = bool(self._legs) and self._legs[0].step in ("grip", "release") and not self._crane.load_sensor
        self._stop()
        super().halt(now_ms)
        if self._crane.load_sensor:
            self._feel_load()
        if half:
            self._load = "unsure"
            self.host.warn("load-unsure")  # CRN-09

    def _stop(self) -> None:
        self._legs.clear()
        self._braking = False
        self._timeout_ms = self._feel_until_ms = None
        self._crane_machine.brake()

    def reset_fault(self, order: Order, now_ms: int) -> None:
        """CRN-09: a person's word settles a load that no sensor feels. Moves nothing [FLT-05]."""
        if not self._crane.load_sensor and "found" in order:
            self._load = order["found"]
            self.host.settle("load-unsure")
        self.machine.fire("reset-fault", {"crane": self})
