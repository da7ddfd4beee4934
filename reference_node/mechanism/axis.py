"""One axis of a crane: a motor with bounded speed and acceleration, and a home switch."""

from __future__ import annotations

import math
from dataclasses import dataclass

from reference_node.mechanism.motion import MotionProfile
from reference_node.mechanism.planned_drive import PlannedDrive


@dataclass(frozen=True, slots=True)
class AxisLimits:
    """What the axis can do, in its own unit (mm or steps) and seconds.

    The switch is closed at and below `home`; the axis homes towards `low` at `seek_speed`, then comes back
    off the switch at `creep_speed` and takes the place where it opens as `home`.
    """

    low: int
    high: int
    home: int
    speed: float
    acceleration: float
    seek_speed: float
    creep_speed: float

    def __post_init__(self) -> None:
        if not self.low < self.home < self.high:
            raise ValueError(f"home {self.home} must lie between low {self.low} and high {self.high}")
        if min(self.speed, self.acceleration, self.seek_speed, self.creep_speed) <= 0:
            raise ValueError("speeds and acceleration must be positive")
        if max(self.seek_speed, self.creep_speed) > self.speed:
            raise ValueError("homing must not be faster than the axis")
        if self.home - self.seek_speed**2 / (2 * self.acceleration) < self.low:
            raise ValueError("homing at this seek speed runs past the low end of the axis")
        if self.home + self.creep_speed**2 / (2 * self.acceleration) > self.high:
            raise ValueError("coming off the switch at this creep speed runs past the high end of the axis")


class Axis(PlannedDrive):
    """A simulated axis on virtual time: give it a command, advance it, look at it.

    The controller sees `position`, `moving`, `at_target` and `home_switch`. Its count starts at 0 wherever
    the axis happens to stand (`standing`, in machine coordinates), and means something only once `homed`.
    """

    def __init__(self, limits: AxisLimits, standing: float, now_ms: int = 0) -> None:
        """`standing` must lie in the range of the axis, else ValueError."""
        if not limits.low <= standing <= limits.high:
            raise ValueError(f"the axis cannot stand at {standing}, outside {limits.low} to {limits.high}")
        super().__init__(standing, now_ms)
        self.limits = limits
        self.homed = False
        self.target = 0
        self.switch_works = True
        self._zero = _nearest(standing)
        self._homes_at: float | None = None

    @property
    def now_ms(self) -> int:
        """The virtual time the axis has been advanced to."""
        return self._now_ms

    @property
    def position(self) -> int:
        """The controller's own count: machine coordinates once homed, before that from an unknown origin."""
        return _nearest(self.true_position) - self._zero

    @property
    def at_target(self) -> bool:
        """Whether the axis stands where it was last told to go."""
        return not self.moving and self.position == self.target

    @property
    def home_switch(self) -> bool:
        """Whether the home switch is closed."""
        return self.switch_works and self.true_position <= self.limits.home

    def advance(self, to_ms: int) -> None:
        """Let virtual time run to `to_ms`; ValueError when that lies in the past."""
        self._pass_to(to_ms)
        if self._homes_at is not None and self._elapsed >= self._homes_at:
            self.homed, self._zero, self._homes_at = True, 0, None
            self.target = _nearest(self._plan.final_position)

    def move_to(self, target: int) -> None:
        """Go to `target`, in the controller's own count, also from the middle of another move.

        Raises ValueError for a target outside the range of a homed axis. Before homing the count means
        nothing, so the ends of the axis stop the move instead and `at_target` stays False.
        """
        low, high = self.limits.low, self.limits.high
        if self.homed and not low <= target <= high:
            raise ValueError(f"target {target} lies outside the axis, {low} to {high}")
        plan = self._replan()
        reached = min(max(target + self._zero, low), high)
        plan.travel(reached, self.limits.speed, self.limits.acceleration)
        self.target, self._homes_at = target, None
        self._begin(plan)

    def seek_home(self) -> None:
        """Find the home switch and stop just off it; `homed` is False until it has been found."""
        self.homed = False
        plan = self._replan()
        plan.ramp(0.0, self.limits.acceleration)
        self._homes_at = self._plan_homing(plan)
        self._begin(plan)

    def stop(self) -> None:
        """Brake to rest within the acceleration limit; the new target is where that ends."""
        plan = self._replan()
        plan.ramp(0.0, self.limits.acceleration)
        self.target, self._homes_at = _nearest(plan.final_position) - self._zero, None
        self._begin(plan)

    def power_off(self) -> None:
        """Remove motor power: a self-locking drive stands at once, and its count means nothing any more."""
        self._plan, self._began_ms = MotionProfile(self.true_position), self._now_ms
        self._homes_at, self.homed = None, False

    def _plan_homing(self, plan: MotionProfile) -> float | None:
        """Append the search to `plan`; give the time at which the switch opens, None when it never closes."""
        limits = self.limits
        if not self.switch_works:
            plan.travel(limits.low, limits.seek_speed, limits.acceleration)
            return None
        if plan.final_position > limits.home:
            _run_to(plan, limits.home, -limits.seek_speed, limits.acceleration)
            plan.ramp(0.0, limits.acceleration)
        _run_to(plan, limits.home, limits.creep_speed, limits.acceleration)
        found = plan.ends
        plan.ramp(0.0, limits.acceleration)
        return found


def _run_to(plan: MotionProfile, place: float, speed: float, acceleration: float) -> None:
    """Run up to `speed` and keep it, up to the moment that `place` is passed."""
    if not plan.ramp(speed, acceleration, until=place):
        plan.cruise(place)


def _nearest(value: float) -> int:
    return math.floor(value + 0.5)
