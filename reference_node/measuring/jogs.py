"""How a crane is jogged: one axis at a time, in steps of a largest size, the others only while the hoist is up.

A jog drives every axis straight to its target, whatever stands between, so each order differs from where the crane
stands in one figure alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from protocol.site import CraneSite

SHARE = 20
"""The largest step is this part of an axis's range where nobody says another."""


class NotJogged(ValueError):
    """Why there is no such jog."""


@dataclass(frozen=True, slots=True)
class Jogs:
    """The jogs of one crane; `largest` is the largest step of each axis, in its unit."""

    crane: CraneSite
    largest: tuple[int, ...]

    @classmethod
    def of(cls, crane: CraneSite, largest: int | None = None) -> Jogs:
        """With one largest step for all axes, or a part of each one's range. Raises ValueError for a step below 1."""
        if largest is not None and largest < 1:
            raise ValueError(f"a largest step of {largest}")
        usual = (max(1, (axis.most - axis.least) // SHARE) for axis in crane.axes)
        return cls(crane, tuple(usual if largest is None else (largest for _ in crane.axes)))

    @property
    def hoist(self) -> int:
        """The number of the hoist: the last axis."""
        return len(self.crane.axes) - 1

    def axis(self, name: str) -> int:
        """The number of the axis of that name. Raises NotJogged."""
        names = [axis.name for axis in self.crane.axes]
        if name not in names:
            raise NotJogged(f"no axis {name!r}; axes are: {', '.join(names)}")
        return names.index(name)

    def step(self, at: Sequence[int], axis: int, step: int) -> tuple[int, ...]:
        """The target of one step of one axis from `at`. Raises NotJogged."""
        site = self.crane.axes[axis]
        if not step:
            raise NotJogged("a step of 0")
        if abs(step) > self.largest[axis]:
            raise NotJogged(
                f"{site.name} moves at most {self.largest[axis]} {site.unit} a step, not {abs(step)}"
            )
        to = at[axis] + step
        if not site.least <= to <= site.most:
            raise NotJogged(f"{site.name} goes from {site.least} to {site.most} {site.unit}, not to {to}")
        if axis != self.hoist and at[self.hoist] != self.crane.travel:
            hoist = self.crane.axes[self.hoist]
            raise NotJogged(f"{hoist.name} is at {at[self.hoist]}: say 'raise' first, and lower it last")
        return (*at[:axis], to, *at[axis + 1 :])

    def way(self, at: Sequence[int], axis: int, to: int) -> list[tuple[int, ...]]:
        """The targets by which one axis comes to `to`, none of them farther than the largest step. Raises NotJogged."""
        found: list[tuple[int, ...]] = []
        here = tuple(at)
        while here[axis] != to:
            most = self.largest[axis]
            here = self.step(here, axis, max(-most, min(most, to - here[axis])))
            found.append(here)
        return found
