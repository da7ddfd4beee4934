"""Motion in one dimension with bounded speed and acceleration, in closed form.

A plan is a row of phases of constant acceleration, so that where a machine is after an hour costs as much
to compute as where it is after a millisecond. Source of every formula: kinematics of constant acceleration,
v = v0 + a t, x = x0 + v0 t + a t^2 / 2 and v^2 = v0^2 + 2 a (x - x0), in any physics textbook; trapezoidal
and triangular velocity profiles as in any robotics textbook's chapter on trajectories. Lengths are in the
machine's own unit, times in seconds from the start of the plan.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

NEGLIGIBLE = 1e-9
"""A way too short for a motor to be switched on for: what rounding left of the move before."""


@dataclass(frozen=True, slots=True)
class Phase:
    """Constant `acceleration` for `lasts` seconds, entered at `began` with `position` and `speed`."""

    began: float
    lasts: float
    position: float
    speed: float
    acceleration: float

    @property
    def ends(self) -> float:
        """When the phase is over, in seconds."""
        return self.began + self.lasts

    def position_at(self, time: float) -> float:
        """Where the machine is at `time`."""
        elapsed = time - self.began
        return self.position + self.speed * elapsed + self.acceleration * elapsed * elapsed / 2

    def speed_at(self, time: float) -> float:
        """How fast it is at `time`, signed."""
        return self.speed + self.acceleration * (time - self.began)

    def crossings(self, position: float) -> list[float]:
        """The times within the phase at which `position` is passed, in order: none, one or two."""
        half, gap = self.acceleration / 2, self.position - position
        root = self.speed * self.speed - 4 * half * gap
        if root < 0:
            return []
        # The stable form of the quadratic formula: no difference of nearly equal numbers.
        pivot = -(self.speed + math.copysign(math.sqrt(root), self.speed)) / 2
        found = {pivot / half} if half else set()
        if pivot:
            found.add(gap / pivot)
        return sorted(self.began + elapsed for elapsed in found if 0 <= elapsed <= self.lasts)

    def cut(self, time: float) -> Phase:
        """The same phase, ended at `time`."""
        return Phase(self.began, time - self.began, self.position, self.speed, self.acceleration)


class MotionProfile:
    """Phases one after the other, then standstill. Built by appending: `ramp`, `cruise`, `travel`."""

    def __init__(self, position: float, speed: float = 0.0) -> None:
        self._phases: list[Phase] = []
        self._last = Phase(0.0, 0.0, position, speed, 0.0)
        self._ends = 0.0

    @property
    def phases(self) -> Sequence[Phase]:
        """The phases, in order."""
        return tuple(self._phases)

    @property
    def ends(self) -> float:
        """When the last phase is over, in seconds."""
        return self._ends

    @property
    def final_position(self) -> float:
        """Where the last phase ends."""
        return self._last.position_at(self.ends)

    @property
    def final_speed(self) -> float:
        """How fast the machine is at the end of the last phase: 0 for a finished plan."""
        return self._last.speed_at(self.ends)

    def position_at(self, time: float) -> float:
        """Where the machine is at `time`."""
        return self._phase(time).position_at(time) if time < self._ends else self.final_position

    def speed_at(self, time: float) -> float:
        """How fast it is at `time`, signed; 0 from the end on."""
        return self._phase(time).speed_at(time) if time < self.ends else 0.0

    def crossings(self, position: float) -> list[float]:
        """Every time at which `position` is passed, in order; a border of two phases may come twice."""
        return [time for phase in self._phases for time in phase.crossings(position)]

    def ramp(self, to_speed: float, acceleration: float, until: float | None = None) -> bool:
        """Change the speed to `to_speed`; end early, with True, where `until` is passed on the way."""
        change = to_speed - self.final_speed
        phase = self._next(abs(change) / acceleration, math.copysign(acceleration, change))
        return self._append(phase, until)

    def cruise(self, to_position: float) -> None:
        """Keep the speed until `to_position`, which must lie ahead."""
        self._append(self._next((to_position - self.final_position) / self.final_speed, 0.0), None)

    def travel(self, target: float, speed: float, acceleration: float) -> None:
        """Come to rest at `target` in the least time that the two limits allow, from any speed.

        Where the way cannot be stopped short of the target, the plan overshoots and comes back.
        """
        start, now = self.final_position, self.final_speed
        if now == 0 and abs(target - start) < NEGLIGIBLE:
            return
        # What remains once the present speed is braked away decides which way to push first.
        beyond = target - start - now * abs(now) / (2 * acceleration)
        way = math.copysign(1.0, beyond)
        along, toward = way * (target - start), way * now
        peak = min(speed, math.sqrt(max(acceleration * along + toward * toward / 2, 0.0)))
        self.ramp(way * peak, acceleration)
        if peak == speed:
            self.cruise(target - way * peak * peak / (2 * acceleration))
        self.ramp(0.0, acceleration)

    def _append(self, phase: Phase, until: float | None) -> bool:
        passed = [] if until is None else [time for time in phase.crossings(until) if time > phase.began]
        self._last = phase.cut(passed[0]) if passed else phase
        self._ends = self._last.ends
        self._phases.append(self._last)
        return bool(passed)

    def _next(self, lasts: float, acceleration: float) -> Phase:
        return Phase(self.ends, max(lasts, 0.0), self.final_position, self.final_speed, acceleration)

    def _phase(self, time: float) -> Phase:
        return next((phase for phase in self._phases if time < phase.ends), self._last)
