"""A siding for tests: trains, sensors, and a berth that sees edges and uptime and nothing else."""

from __future__ import annotations

import random
from dataclasses import dataclass
from typing import Literal, Protocol

from reference_node.mechanism.edge import Edge
from reference_node.mechanism.reed import Reed
from reference_node.mechanism.track import Track
from reference_node.mechanism.train import Consist, Locomotive, Train

END_AT, ARMING_AT = 0.0, 940.0
CREEP = 25


class Berth(Protocol):
    """What the driver below needs of a berth."""

    @property
    def power(self) -> int: ...

    @property
    def under_way(self) -> bool: ...

    @property
    def due_ms(self) -> int | None: ...

    def edge(self, edge: Edge) -> None: ...

    def tick(self, now_ms: int) -> None: ...


@dataclass(frozen=True, slots=True)
class Engine:
    """A locomotive as its owner knows it, from which the forces follow by the equation of motion.

    `creep` mm/s is its steady speed at creep power, `coasts` mm/s^2 how it slows without power, `lag` s how
    long it takes for 63 percent of a change of speed with the motor on.
    """

    creep: float
    coasts: float
    lag: float
    mass: float
    wagons: tuple[float, ...] = (240, 240, 240, 240)
    motor_magnet: float = 0.0
    noise: float = 0.0
    coupling_lobes: Literal[1, 3] = 3

    def consist(self) -> Consist:
        damping, friction = self.mass / 1000 / self.lag, self.coasts * self.mass / 1000
        pull = (self.creep * damping + friction) * 100 / CREEP
        locomotive = Locomotive(
            pull, damping, friction, rolling=0.02 * damping, motor_magnet=self.motor_magnet, noise=self.noise
        )
        return Consist(locomotive, self.wagons, self.mass, self.coupling_lobes)


def siding(engine: Engine, seed: int) -> Track:
    """The track with the train 300 mm before the end sensor, standing."""
    reeds = [Reed("end", END_AT), Reed("arming", ARMING_AT)]
    return Track(Train(engine.consist(), END_AT - 300), reeds, random.Random(seed))


def bring_in(track: Track, berth: Berth, until_ms: int = 120_000) -> list[Edge]:
    """Run berth and track against each other, as an interrupt and a main loop of 1 ms do; gives the edges."""
    seen: list[Edge] = []
    track.drive(berth.power)
    while berth.under_way and track.now_us < until_ms * 1000:
        times = (track.next_event_us(), None if berth.due_ms is None else berth.due_ms * 1000)
        now_us = min((time for time in times if time is not None), default=until_ms * 1000)
        for edge in track.advance(now_us):
            seen.append(edge)
            berth.edge(edge)
        berth.tick(now_us // 1000)
        track.drive(berth.power)
    return seen
