"""The simulated machines of one node, built from its part of the site file."""

from __future__ import annotations

import random
from collections.abc import Iterator, Sequence

from protocol.site import NodeSite
from reference_node.machines.crane import BY_HAND_LINE, CraneMachine
from reference_node.machines.shuttle import ShuttleMachine
from reference_node.machines.siding import TrackMachine
from reference_node.machines.world import World
from reference_node.mechanism.edge import Edge
from reference_node.mechanism.train import Consist

Machine = CraneMachine | TrackMachine | ShuttleMachine


class Machines:
    """What the node moves and feels. Outlives the controller: a reset leaves everything where it stands."""

    def __init__(
        self,
        node: NodeSite,
        world: World,
        rng: random.Random,
        *,
        now_ms: int = 0,
        trains: Sequence[Consist] | None = None,
    ) -> None:
        """`trains` come in one after the other, over and over; the survey's own where none are given."""
        self.crane = None if node.crane is None else CraneMachine(node.name, node.crane, world, rng, now_ms)
        self.track = (
            None if node.berth is None else TrackMachine(node, node.berth, world, rng, now_ms, trains)
        )
        self.shuttle = None if node.shuttle is None else ShuttleMachine(node, node.shuttle, world, now_ms)
        self.motor_power = True
        self._all: list[Machine] = [
            machine for machine in (self.crane, self.track, self.shuttle) if machine is not None
        ]
        self._starts_before = 0
        self._levels = self.levels()
        self._now_us = now_ms * 1000

    @property
    def starts(self) -> int:
        """How often a motor was switched on since `power_up`."""
        return sum(machine.starts for machine in self._all) - self._starts_before

    def levels(self) -> dict[str, bool]:
        """Every sensor line of the node."""
        found = {"motor-power": self.motor_power}
        for machine in self._all:
            found |= machine.levels()
        return found

    def power_up(self, now_ms: int) -> None:
        """The controller starts: all outputs off [SAF-02], and no count of any axis means anything."""
        for _ in self.run_to(now_ms * 1000):
            pass
        self.power_off(now_ms)
        self._starts_before = sum(machine.starts for machine in self._all)

    def power_off(self, now_ms: int) -> None:
        """No motor gets power any more until the next command."""
        for machine in self._all:
            machine.power_off()

    def cut_power(self) -> None:
        """Somebody presses the emergency stop; the line is felt with the next step of time."""
        self.motor_power = False
        self.power_off(self._now_us // 1000)

    def restore_power(self) -> None:
        """Somebody unlocks the emergency stop."""
        self.motor_power = True

    def next_event_us(self) -> int | None:
        """When something changes next that a controller could feel or has to react to."""
        due = [machine.next_event_us() for machine in self._all]
        by_hand = self.crane is not None and self.crane.by_hand
        if (self._levels["motor-power"], self._levels.get(BY_HAND_LINE, False)) != (
            self.motor_power,
            by_hand,
        ):
            due.append(self._now_us)
        return min((time for time in due if time is not None), default=None)

    def run_to(self, until_us: int) -> Iterator[tuple[int, list[Edge]]]:
        """Let time run, event by event, so that the controller can react between two of them."""
        while (due := self.next_event_us()) is not None and due <= until_us:
            yield self._advance(max(due, self._now_us))
        if until_us > self._now_us:
            yield self._advance(until_us)

    def _advance(self, to_us: int) -> tuple[int, list[Edge]]:
        self._now_us = to_us
        edges: list[Edge] = []
        for machine in self._all:
            edges += machine.advance(to_us)
        edges += self._changed_levels(to_us, {edge.sensor for edge in edges})
        return to_us, sorted(edges, key=lambda edge: edge.at_us)

    def _changed_levels(self, at_us: int, told: set[str]) -> list[Edge]:
        """Edges of the lines that a machine gives as a level only."""
        before, self._levels = self._levels, self.levels()
        changed = [name for name in self._levels if self._levels[name] != before[name] and name not in told]
        return [Edge(at_us, name, self._levels[name]) for name in changed]
