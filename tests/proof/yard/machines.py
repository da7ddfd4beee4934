"""The model of a node's machines: what a controller commands is so after `MOTION_MS`, or never if it is jammed.

Positions, boxes and sensors are those of a real machine between two of its events; what is in between is one value.
`world` is lent for a step and taken back changed.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Protocol

from protocol.site import NodeSite, Site
from reference_node.mechanism.edge import Edge
from reference_node.snapshot.canonical import Plan
from reference_node.snapshot.how import SHARED, Dropped, Exactly, Since
from reference_node.snapshot.supervisor_fields import PART, keep
from tests.proof.yard.crane_model import CraneModel
from tests.proof.yard.motion import MOTION_MS, Clock
from tests.proof.yard.shuttle_model import ShuttleModel
from tests.proof.yard.track_model import TrackModel
from tests.proof.yard.world import World


class MachineModel(Protocol):
    """One machine."""

    starts: int

    @property
    def busy(self) -> bool: ...

    def complete(self) -> None: ...

    def power_off(self) -> None: ...

    def levels(self) -> dict[str, bool]: ...


class ModelMachines:
    """In the place of `Machines`."""

    def __init__(self, site: Site, node: NodeSite, world: World) -> None:
        self.clock = Clock()
        self.world = world
        self.jammed = False
        self.crane = CraneModel(site, node, self) if node.crane is not None else None
        self.track = TrackModel(site, node, self) if node.berth is not None else None
        self.shuttle = ShuttleModel(node, self) if node.shuttle is not None else None
        self.motor_power = True
        self._told = self.levels()

    @property
    def all(self) -> Sequence[MachineModel]:
        return [machine for machine in (self.crane, self.track, self.shuttle) if machine is not None]

    @property
    def starts(self) -> int:
        """Motor starts in this step of the exploration."""
        return sum(machine.starts for machine in self.all)

    def began(self, lasts_ms: int = MOTION_MS) -> None:
        """A motor was switched on, and brings about what it does after so long."""
        self.clock.due_ms = self.clock.now_ms + lasts_ms

    def levels(self) -> dict[str, bool]:
        found = {"motor-power": self.motor_power}
        for machine in self.all:
            found |= machine.levels()
        return found

    def power_up(self, now_ms: int) -> None:
        for _ in self.run_to(now_ms * 1000):
            pass
        self.power_off(now_ms)

    def power_off(self, _now_ms: int) -> None:
        for machine in self.all:
            machine.power_off()

    def next_event_us(self) -> int | None:
        if self._told != self.levels():
            return self.clock.now_ms * 1000
        if not any(machine.busy for machine in self.all):
            return None
        return self.clock.due_ms * 1000

    def run_to(self, until_us: int) -> Iterator[tuple[int, list[Edge]]]:
        while (due := self.next_event_us()) is not None and due <= until_us:
            yield self._happen(due)
        if until_us > self.clock.now_ms * 1000:
            self.clock.now_ms = until_us // 1000
            yield until_us, []

    def _happen(self, due_us: int) -> tuple[int, list[Edge]]:
        self.clock.now_ms = max(self.clock.now_ms, due_us // 1000)
        if self._told == self.levels():
            for machine in self.all:
                if machine.busy:
                    machine.complete()
        before, self._told = self._told, self.levels()
        changed = [name for name, level in self._told.items() if before[name] != level]
        return due_us, [Edge(due_us, name, self._told[name]) for name in changed]


def _no_motion_is_due(machines: ModelMachines, now_ms: int) -> None:
    if not any(machine.busy for machine in machines.all):
        machines.clock.due_ms = now_ms


MACHINE_PLANS = {
    ModelMachines: Plan(
        keep("clock", "crane", "track", "shuttle", "motor_power", "jammed", "_told")
        | {"world": Dropped("one for all nodes: lent for each step", World)},
        _no_motion_is_due,
    ),
    Clock: Plan({"now_ms": Since(), "due_ms": Exactly()}),
    CraneModel: Plan(
        keep("at", "aim", "found", "on", "seeking", "fingers", "wants", _site=SHARED)
        | {"_name": SHARED, "_crane": SHARED, "_host": PART, "starts": Dropped("of one step", int)}
    ),
    ShuttleModel: Plan(
        keep("aim", "rolling", _name=SHARED, _stops=SHARED, _host=PART, _deck=SHARED)
        | {"starts": Dropped("of one step", int)}
    ),
    TrackModel: Plan(
        keep("power", "passed", _name=SHARED, _place=SHARED, _host=PART)
        | {"starts": Dropped("of one step", int)}
    ),
}
