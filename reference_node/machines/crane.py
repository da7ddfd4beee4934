"""A simulated crane: axes, a spreader, and the boxes of the world below it."""

from __future__ import annotations

import math
import random
from typing import Literal

from protocol.site import HOME_SENSORS, CraneSite
from protocol.site import Axis as AxisSite
from reference_node.machines.world import World
from reference_node.mechanism.axis import Axis, AxisLimits
from reference_node.mechanism.edge import Edge
from reference_node.mechanism.spreader import Spreader

BY_HAND_LINE = "by-hand"
"""The switch at the crane with which somebody takes it by hand; no tester plays it."""

GRIP_MS = 400
NEGLIGIBLE = 1e-6
"""A move that rounding makes."""


class CraneMachine:
    """What a crane's controller can command and see; `axes` and `spreader` are the truth behind it.

    `jammed` are numbers of axes whose motor turns nothing any more.
    """

    def __init__(self, name: str, site: CraneSite, world: World, rng: random.Random, now_ms: int = 0) -> None:
        self.axes = tuple(_axis(axis, rng, now_ms) for axis in site.axes)
        self.spreader = Spreader(rng, GRIP_MS, senses_load=site.load_sensor, now_ms=now_ms)
        self.jammed: set[int] = set()
        self.by_hand = False
        """Whether somebody has taken the crane by hand, with the switch at it."""
        self._name, self._world = name, world
        self._play = world.play(name)
        self._was, self._side = self.axes[0].true_position, 0

    @property
    def starts(self) -> int:
        """How often a motor was switched on."""
        return sum(axis.starts for axis in self.axes) + self.spreader.starts

    @property
    def still(self) -> bool:
        """Whether no motor is on."""
        return not self.spreader.moving and not any(axis.moving for axis in self.axes)

    @property
    def grip_state(self) -> Literal["open", "closed", "moving"]:
        """What the spreader does."""
        if self.spreader.moving:
            return "moving"
        return "open" if self.spreader.state == "open" else "closed"

    def position(self, axis: int) -> int:
        """The controller's own count of an axis."""
        return self.axes[axis].position

    def target(self, axis: int) -> int:
        """Where the axis was last told to go."""
        return self.axes[axis].target

    def homed(self, axis: int) -> bool:
        """Whether the count of the axis means something."""
        return self.axes[axis].homed

    def arrived(self, axis: int) -> bool:
        """Whether the axis stands where it was told to go."""
        return self.axes[axis].at_target

    def turning(self, axis: int) -> bool:
        """Whether the motor of the axis is on."""
        return self.axes[axis].moving

    def move(self, axis: int, target: int) -> None:
        """Go to `target`."""
        if axis not in self.jammed:
            self.axes[axis].move_to(target)

    def seek_home(self, axis: int) -> None:
        """Find the home switch."""
        self.axes[axis].seek_home()

    def brake(self) -> None:
        """Bring every axis to rest by its deceleration; fingers under way stand."""
        for axis in self.axes:
            if axis.moving:
                axis.stop()
        self.spreader.power_off()

    def grip(self) -> None:
        """Close the spreader over whatever is below."""
        self.spreader.close(self._world.box_at(self._name, self._where()))

    def release(self) -> None:
        """Open the spreader."""
        self.spreader.open()

    def power_off(self) -> None:
        """Remove motor power."""
        for axis in self.axes:
            axis.power_off()
        self.spreader.power_off()

    def levels(self) -> dict[str, bool]:
        """Home switches, the switch for by-hand, and the load sensor where there is one."""
        found = {line: axis.home_switch for line, axis in zip(HOME_SENSORS, self.axes, strict=False)}
        found[BY_HAND_LINE] = self.by_hand
        loaded = self.spreader.load_sensor
        return found if loaded is None else found | {"load": loaded}

    def next_event_us(self) -> int | None:
        """When the next motor stops by itself."""
        due = [axis.done_at for axis in self.axes] + [self.spreader.done_at]
        return min((time * 1000 for time in due if time is not None), default=None)

    def advance(self, to_us: int) -> list[Edge]:
        """Let time run; what the spreader takes or sets down is taken from or set down in the world."""
        for axis in self.axes:
            axis.advance(to_us // 1000)
        self._follow_play()
        held = self.spreader.holds
        self.spreader.advance(to_us // 1000)
        if held is None and self.spreader.holds is not None:
            self._world.take(self._name, self._where())
        dropped = self.spreader.take_dropped()
        if dropped is not None:
            self._world.put(self._name, self._where(), dropped)
        return []

    def _follow_play(self) -> None:
        is_at = self.axes[0].true_position
        if abs(is_at - self._was) > NEGLIGIBLE:
            self._side = 1 if is_at > self._was else -1
        self._was = is_at

    @property
    def spreader_at(self) -> tuple[float, ...]:
        """Where the spreader really is: behind the first axis by half of its play, the way that it came."""
        first, *others = (axis.true_position for axis in self.axes)
        return (first - self._side * self._play / 2, *others)

    def _where(self) -> list[float]:
        return list(self.spreader_at)


def _axis(site: AxisSite, rng: random.Random, now_ms: int) -> Axis:
    """The axis with room for homing to run past the switch, standing near its parking position."""
    seek = site.speed / 2
    creep = max(seek / 8, 1.0)
    room = math.ceil(seek * seek / (2 * site.acceleration)) + 2
    limits = AxisLimits(
        low=min(site.least, site.home) - room,
        high=max(site.most, site.home) + room,
        home=site.home,
        speed=site.speed,
        acceleration=site.acceleration,
        seek_speed=seek,
        creep_speed=min(creep, seek),
    )
    spread = (site.most - site.least) // 20
    standing = min(max(site.park + rng.randint(-spread, spread), site.least), site.most)
    return Axis(limits, standing, now_ms)
