"""What real mechanisms do between the reading of a train and the place where the crane must stand.

Each imperfection is a part of the truth that a surveyor meets and does not know. Positions are in the crane's unit,
readings in the berth's; what happens by chance comes from a generator that is passed in.
"""

from __future__ import annotations

import math
import random
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Protocol


class Imperfection(Protocol):
    """Moves the true position of a reading."""

    def off(self, reading: float) -> float:
        """By how much, in units of the axis."""


@dataclass(frozen=True, slots=True)
class Eccentric:
    """A pulley or magnet that does not turn about its middle: one wave for each turn of `length`."""

    amplitude: float
    length: float
    phase: float = 0.0

    def off(self, reading: float) -> float:
        """A sine of the angle."""
        return self.amplitude * math.sin(2 * math.pi * reading / self.length + self.phase)


@dataclass(frozen=True, slots=True)
class Crank:
    """A lever that turns `angle` radians from `low` to `high`: what it moves is no straight line of its angle.

    `rise` is how far it is off the chord in the middle.
    """

    low: float
    high: float
    rise: float
    angle: float = 0.6

    def off(self, reading: float) -> float:
        """The height of an arc over its chord."""
        half = self.angle / 2
        way = (2 * reading - self.low - self.high) / (self.high - self.low)
        return self.rise * (math.cos(half * way) - math.cos(half)) / (1 - math.cos(half))


@dataclass(frozen=True, slots=True)
class SlippedTooth:
    """A belt or a sensor that has jumped: everything behind `after` is off by `size`."""

    after: float
    size: float

    def off(self, reading: float) -> float:
        """All or nothing."""
        return self.size if reading > self.after else 0.0


@dataclass(frozen=True, slots=True)
class Mechanism:
    """A crane over a track as it really is: a line, imperfections, play, drift with temperature, scatter by train.

    `scatter` is the repeatability of the reading, in the axis's unit; `scatters` what single locomotives have instead.
    """

    offset: float
    factor: float
    scatter: float
    imperfections: Sequence[Imperfection] = ()
    play: float = 0.0
    per_degree: float = 0.0
    eye: float = 0.0
    """Standard deviation of what a person takes for 'that is it'."""
    scatters: Mapping[str, float] = field(default_factory=dict)

    def position(self, reading: float) -> float:
        """Where the crane must stand when nothing scatters, in the middle of the play, at the usual temperature."""
        return self.offset + self.factor * reading + sum(one.off(reading) for one in self.imperfections)

    def arrival(self, reading: float, train: str, rng: random.Random, degrees: float = 0.0) -> float:
        """Where a train really stands that gave this reading."""
        spread = self.scatters.get(train, self.scatter)
        return self.position(reading) + rng.gauss(0, spread) + self.per_degree * degrees

    def found(self, stands: float, came_up: bool, rng: random.Random) -> float:
        """The axis's figure at which the spreader is over a train that stands there."""
        return stands + (self.play / 2 if came_up else -self.play / 2) + rng.gauss(0, self.eye)
