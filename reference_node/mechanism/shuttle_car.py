"""The car that carries boxes between the stops of a shuttle line."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, field
from itertools import pairwise

from reference_node.mechanism.edge import Edge
from reference_node.mechanism.motion import MotionProfile
from reference_node.mechanism.planned_drive import PlannedDrive


@dataclass(frozen=True, slots=True)
class ShuttleTrack:
    """The stops by name with their places in mm, and what the car can do, in mm and seconds.

    A stop's sensor is closed while the car is within `window` mm of the stop.
    """

    stops: Mapping[str, float]
    speed: float
    acceleration: float
    window: float = 4.0
    low: float = field(init=False)
    high: float = field(init=False)

    def __post_init__(self) -> None:
        places = sorted(self.stops.values())
        if len(places) < 2 or any(b - a <= 2 * self.window for a, b in pairwise(places)):
            raise ValueError("a line needs two stops or more, further apart than their sensors reach")
        if min(self.speed, self.acceleration, self.window) <= 0:
            raise ValueError("speed, acceleration and window must be positive")
        object.__setattr__(self, "low", places[0])
        object.__setattr__(self, "high", places[-1])


class ShuttleCar(PlannedDrive):
    """A simulated car on virtual time. The controller sees the edges and levels of the stop sensors, no more.

    `deck` is what really stands on the car; no sensor tells it.
    """

    def __init__(self, line: ShuttleTrack, standing: float, now_ms: int = 0) -> None:
        """`standing` must lie on the line, else ValueError."""
        if not line.low <= standing <= line.high:
            raise ValueError(f"the car cannot stand at {standing}, outside {line.low} to {line.high}")
        super().__init__(standing, now_ms)
        self.line = line
        self.deck: str | None = None
        self._coming: deque[Edge] = deque()

    @property
    def at(self) -> str | None:
        """The stop whose sensor is closed, if any."""
        return self._stop_at(self.true_position)

    @property
    def levels(self) -> dict[str, bool]:
        """The present level of every stop sensor."""
        return {stop: stop == self.at for stop in self.line.stops}

    @property
    def next_edge_us(self) -> int | None:
        """When the next edge comes if no further command is given; None when none will."""
        return self._coming[0].at_us if self._coming else None

    def run_to(self, stop: str) -> None:
        """Go to `stop`, also from the middle of another run; KeyError for a stop that is not on the line."""
        plan = self._replan()
        plan.travel(self.line.stops[stop], self.line.speed, self.line.acceleration)
        self._begin(plan)

    def stop(self) -> None:
        """Brake to rest within the acceleration limit."""
        plan = self._replan()
        plan.ramp(0.0, self.line.acceleration)
        self._begin(plan)

    def power_off(self) -> None:
        """Remove motor power: the geared car stands at once."""
        self._begin(MotionProfile(self.true_position))

    def push_to(self, stop: str) -> None:
        """A hand pushes the car to `stop`, where it stands at once. Raises KeyError for a stop it does not know."""
        self._begin(MotionProfile(self.line.stops[stop]))

    def advance(self, to_ms: int) -> list[Edge]:
        """Let time run to `to_ms` and give the edges up to then; ValueError for a time in the past."""
        self._pass_to(to_ms)
        passed = []
        while self._coming and self._coming[0].at_us <= to_ms * 1000:
            passed.append(self._coming.popleft())
        return passed

    def _stop_at(self, position: float) -> str | None:
        reach = self.line.window
        return next((stop for stop, place in self.line.stops.items() if abs(position - place) <= reach), None)

    def _begin(self, plan: MotionProfile) -> None:
        level = self.at
        super()._begin(plan)
        self._coming = deque(self._edges(plan, level))

    def _edges(self, plan: MotionProfile, level: str | None) -> list[Edge]:
        """Every edge of the plan: between two crossings no sensor changes, so one look there is enough."""
        reach = self.line.window
        borders = [place + side for place in self.line.stops.values() for side in (-reach, reach)]
        times = sorted(time for border in borders for time in plan.crossings(border))
        edges = []
        for time, until in pairwise([*times, plan.ends]):
            now = self._stop_at(plan.position_at((time + until) / 2))
            at_us = self._began_ms * 1000 + math.ceil(time * 1_000_000)
            if now != level:
                edges += [Edge(at_us, stop, stop == now) for stop in (level, now) if stop is not None]
            level = now
        return edges
