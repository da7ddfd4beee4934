"""A motor that follows a motion plan on virtual time: what an axis and a shuttle car have in common."""

from __future__ import annotations

import math

from reference_node.mechanism.motion import MotionProfile


class PlannedDrive:
    """Stands or follows its plan; times in ms, places in the machine's own unit."""

    def __init__(self, standing: float, now_ms: int) -> None:
        self.starts = 0
        self._now_ms = self._began_ms = now_ms
        self._plan = MotionProfile(standing)

    @property
    def true_position(self) -> float:
        """Where it really is: nothing that a controller could know."""
        return self._plan.position_at(self._elapsed)

    @property
    def speed(self) -> float:
        """The present speed, signed, in units a second."""
        return self._plan.speed_at(self._elapsed)

    @property
    def moving(self) -> bool:
        """Whether the motor is on."""
        return self._elapsed < self._plan.ends

    @property
    def done_at(self) -> int | None:
        """The first whole millisecond at which the present move is over; None when nothing moves."""
        return self._began_ms + math.ceil(self._plan.ends * 1000) if self.moving else None

    @property
    def _elapsed(self) -> float:
        return (self._now_ms - self._began_ms) / 1000

    def _pass_to(self, to_ms: int) -> None:
        """Let virtual time run to `to_ms`; ValueError when that lies in the past."""
        if to_ms < self._now_ms:
            raise ValueError(f"time runs forward: {to_ms} ms lies before {self._now_ms} ms")
        self._now_ms = to_ms

    def _replan(self) -> MotionProfile:
        """A plan that begins where and as fast as it is now."""
        return MotionProfile(self.true_position, self.speed)

    def _begin(self, plan: MotionProfile) -> None:
        """Follow `plan` from now on."""
        if not self.moving and plan.ends > 0:
            self.starts += 1
        self._plan, self._began_ms = plan, self._now_ms
