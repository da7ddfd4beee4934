"""The model of a crane: axes that get where they are sent, a spreader that takes what is below it."""

from __future__ import annotations

from typing import Literal

from protocol.position_table import OutsideTable, PositionTable
from protocol.site import NodeSite, PlaceKind, Site
from tests.proof.yard.motion import Host
from tests.proof.yard.world import Slot

BETWEEN = 17
"""Where an axis stands that was stopped on its way: no slot is there."""
READING = 99
"""Where the trains of this model come to rest, in the words of their berth: within the table, as measured below."""


class CraneModel:
    """In the place of `CraneMachine`."""

    def __init__(self, site: Site, node: NodeSite, host: Host) -> None:
        assert node.crane is not None
        self._site, self._name, self._crane, self._host = site, node.name, node.crane, host
        axes = len(node.crane.axes)
        self.at = [axis.park for axis in node.crane.axes]
        self.aim = list(self.at)
        self.found = [False] * axes
        self.on: list[bool] = [False] * axes
        self.seeking: list[bool] = [False] * axes
        self.fingers: Literal["open", "closed"] = "open"
        self.wants = ""
        self.starts = 0

    # ---- what its controller sees and commands
    @property
    def still(self) -> bool:
        return not self.busy

    @property
    def busy(self) -> bool:
        return any(self.on) or bool(self.wants)

    @property
    def grip_state(self) -> str:
        return "moving" if self.wants else self.fingers

    def position(self, axis: int) -> int:
        return self.at[axis]

    def turning(self, axis: int) -> bool:
        return self.on[axis]

    def target(self, axis: int) -> int:
        return self.aim[axis]

    def homed(self, axis: int) -> bool:
        return self.found[axis]

    def arrived(self, axis: int) -> bool:
        return not self.on[axis] and self.at[axis] == self.aim[axis]

    def move(self, axis: int, target: int) -> None:
        self.aim[axis] = target
        if self.at[axis] != target and not self._host.jammed:
            self.on[axis] = True
            self._begin()

    def seek_home(self, axis: int) -> None:
        self.found[axis] = False
        self.on[axis] = self.seeking[axis] = True
        self._begin()

    def brake(self) -> None:
        for axis, turning in enumerate(self.on):
            if turning:
                self.at[axis] = self.aim[axis] = BETWEEN
                self.on[axis] = self.seeking[axis] = False
        self._stop_fingers()

    def grip(self) -> None:
        self.wants = "closed"
        self._begin()

    def release(self) -> None:
        if self.fingers != "open":
            self.wants = "open"
            self._begin()

    def power_off(self) -> None:
        self.brake()
        self.found = [False] * len(self.found)

    def levels(self) -> dict[str, bool]:
        lines = {f"home-{axis.name}": False for axis in self._crane.axes}
        return lines | (
            {"load": bool(self._host.world.box_held(self._name))} if self._crane.load_sensor else {}
        )

    # ---- what really happens
    def complete(self) -> None:
        """What was commanded is so."""
        for axis, turning in enumerate(self.on):
            if turning:
                home = self._crane.axes[axis].home
                self.at[axis] = home if self.seeking[axis] else self.aim[axis]
                self.aim[axis] = self.at[axis]
                self.found[axis] = self.found[axis] or self.seeking[axis]
                self.on[axis] = self.seeking[axis] = False
        if self.wants:
            self._complete_fingers()

    def _complete_fingers(self) -> None:
        world, slot = self._host.world, self.slot_below()
        if (
            self.wants == "closed"
            and slot is not None
            and world.box_at(slot)
            and not world.box_held(self._name)
        ):
            self._host.world = world.taken(self._name, slot)
        elif self.wants == "open" and world.box_held(self._name):
            self._host.world = world.put(self._name, slot)
        self.fingers = "open" if self.wants == "open" else "closed"
        self.wants = ""

    def slot_below(self) -> Slot | None:
        """The slot that the spreader is at."""
        for name, place in self._crane.places.items():
            for slot, at in enumerate(place.slots):
                first = self._first(name)
                if first is not None and self.at == [at[0] + first, *at[1:]]:
                    return name, slot
        return None

    def _first(self, name: str) -> int | None:
        """What the first axis has to add; None where nothing stands there to take from or put on."""
        place, world = self._site.places[name], self._host.world
        known = self._crane.places[name]
        if place.kind is PlaceKind.DECK:
            return 0 if world.stand_of(place.node) == known.at else None
        if place.kind is PlaceKind.TRACK:
            return self._shift(known.table) if world.train_of(place.node) == "at rest" else None
        return 0

    def _shift(self, table: tuple[tuple[int, int], ...]) -> int | None:
        try:
            return PositionTable.of(table).position(READING)
        except OutsideTable:
            return None

    def _stop_fingers(self) -> None:
        if self.wants:
            self.wants, self.fingers = "", "closed"

    def _begin(self) -> None:
        self.starts += 1
        self._host.began()
