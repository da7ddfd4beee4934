"""How long jobs are expected to take, in ms. Only ever used to compare plans; no rule rests on it."""

from __future__ import annotations

import math
from dataclasses import dataclass

from protocol.site import Axis, CraneSite
from reference_node.supervisor.observe.boxes import Spot


def move_ms(way: float, axis: Axis) -> float:
    """From rest to rest over `way` with bounded speed and acceleration.

    Trapezoidal or triangular velocity profile: d/v + v/a where d is at least v^2/a, else 2 sqrt(d/a) (any
    robotics textbook's chapter on trajectories).
    """
    way = abs(way)
    if way >= axis.speed**2 / axis.acceleration:
        return 1000 * (way / axis.speed + axis.speed / axis.acceleration)
    return 1000 * 2 * math.sqrt(way / axis.acceleration)


@dataclass(frozen=True, slots=True)
class Durations:
    """Estimates for one site; the cranes' come from their axes, the others are given."""

    grip_ms: int = 400
    """To close or open a spreader."""
    order_ms: int = 100
    """From the end of one job to the start of the next: report, look around, order."""
    run_ms: int = 4_000
    admit_ms: int = 23_000
    depart_ms: int = 7_000

    def transfer(self, crane: CraneSite, start: Spot | None, source: Spot | None, target: Spot) -> int:
        """A box from `source` (None: out of the spreader) to `target`.

        The crane stood at `start` before; None, where that is not known, counts no way to the box.
        """
        total = float(self.order_ms + self.grip_ms)
        if source is not None:
            total += self._over(crane, start, source) + 2 * self._hoist(crane, source) + self.grip_ms
            start = source
        return round(total + self._over(crane, start, target) + 2 * self._hoist(crane, target))

    def _over(self, crane: CraneSite, start: Spot | None, end: Spot) -> float:
        """All axes but the hoist at once."""
        if start is None:
            return 0.0
        ways = zip(position(crane, start), position(crane, end), crane.axes[:-1], strict=False)
        return max((move_ms(there - here, axis) for here, there, axis in ways), default=0.0)

    def _hoist(self, crane: CraneSite, spot: Spot) -> float:
        return move_ms(position(crane, spot)[-1] - crane.travel, crane.axes[-1])


def position(crane: CraneSite, spot: Spot) -> tuple[int, ...]:
    """Where the axes stand over `spot`; a train is taken to stand in the middle of its table."""
    place = crane.places[spot.place]
    first, *others = place.slots[spot.slot]
    return (first + (place.table[len(place.table) // 2][1] if place.table else 0), *others)
