"""How something on wheels moves under a constant push and a drag that grows with speed, in closed form.

The equation of motion dv/dt = push - drag * v has the solution v(t) = s + (v0 - s) exp(-drag t) with the
steady speed s = push / drag, and x(t) = x0 + s t + (v0 - s) (1 - exp(-drag t)) / drag: a first-order linear
differential equation, in any calculus or vehicle dynamics textbook. Lengths in mm, times in seconds from the
start of the glide, speeds along the direction of travel and therefore never negative.
"""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Glide:
    """One stretch of travel: speed at entry in mm/s, push in mm/s^2, drag (positive) in 1/s."""

    speed: float
    push: float
    drag: float

    @property
    def steady(self) -> float:
        """The speed that the glide tends to, in mm/s; negative means that it ends at rest."""
        return self.push / self.drag

    @property
    def lasts(self) -> float:
        """After how many seconds the speed is 0 and stays so; infinite under a forward push."""
        if self.push > 0:
            return math.inf
        return math.log1p(self.speed / -self.steady) / self.drag if self.push < 0 else math.inf

    @property
    def reach(self) -> float:
        """How far it goes until it rests, in mm; infinite when it never does."""
        return self.way_at(self.lasts) if math.isfinite(self.lasts) else math.inf

    def speed_at(self, time: float) -> float:
        """The speed after `time` seconds, in mm/s."""
        if time >= self.lasts:
            return 0.0
        return self.steady + (self.speed - self.steady) * math.exp(-self.drag * time)

    def way_at(self, time: float) -> float:
        """How far it has come after `time` seconds, in mm."""
        time = min(time, self.lasts)
        return self.steady * time - (self.speed - self.steady) * math.expm1(-self.drag * time) / self.drag

    def time_at(self, way: float) -> float:
        """When it has come `way` mm, which must lie within `reach`: Newton's method inside a bracket."""
        early, late = 0.0, self._later_than(way)
        time = late / 2
        for _ in range(100):
            miss = self.way_at(time) - way
            early, late = (early, time) if miss > 0 else (time, late)
            speed = self.speed_at(time)
            better = time - miss / speed if speed > 0 else early
            if not early < better < late:
                better = (early + late) / 2
            if abs(better - time) < 1e-9:
                break
            time = better
        return time

    def _later_than(self, way: float) -> float:
        """A time by which `way` has been covered."""
        if math.isfinite(self.lasts):
            return self.lasts
        late = 1.0
        while self.way_at(late) < way:
            late *= 2
        return late
