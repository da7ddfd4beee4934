"""A train passing reed switches: gives the edges on the sensor lines, and nothing else."""

from __future__ import annotations

import heapq
import random
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass

from reference_node.mechanism.edge import Edge
from reference_node.mechanism.reed import Reed
from reference_node.mechanism.train import Train

NOISE_US = (20, 2000)
"""How long a stray pulse from a motor lasts (common practice, no published source)."""


@dataclass(frozen=True, slots=True, order=True)
class Switch:
    """With the front of the train at `front`, lobe `reach` of reed `reed` pulls in or drops out."""

    front: float
    reed: int
    reach: int
    pulls: bool


class Track:
    """A track with one train and some reeds on virtual time.

    Every disturbance of a line is a set of flips of its level: a magnet flips it once, contact bounce and
    stray pulses flip it an even number of times. The edges do not depend on the steps in which time is
    advanced, and the same seed gives the same edges.
    """

    def __init__(self, train: Train, reeds: Sequence[Reed], rng: random.Random, now_us: int = 0) -> None:
        self.train = train
        self.starts = 0
        self._reeds, self._now_us = reeds, now_us
        self._bouncing, self._straying = random.Random(rng.random()), random.Random(rng.random())
        self._reaches = [reed.reaches(train.consist.magnets) for reed in reeds]
        self._switches = {way: self._passing(way) for way in (1, -1)}
        self._pulled: list[set[int]] = [self._near(index) for index in range(len(reeds))]
        self._levels = [bool(pulled) for pulled in self._pulled]
        self._flips: list[tuple[int, int]] = []
        self._stray_us: int | None = None
        self._switch_us: int | None = None
        self._next = 0
        self._look_ahead()

    @property
    def now_us(self) -> int:
        """The virtual time the track has been advanced to."""
        return self._now_us

    @property
    def levels(self) -> dict[str, bool]:
        """The present level of every sensor line: True is closed."""
        return {reed.sensor: level for reed, level in zip(self._reeds, self._levels, strict=True)}

    def drive(self, power: int) -> None:
        """Give the train's motor a duty of -100 to 100 percent from now on; ValueError outside."""
        before = self.train.power
        if power == before:
            return
        self.train.drive(power, self._now_us)
        self.starts += before == 0
        self._look_ahead()
        if not power:
            self._stray_us = None
        elif not before:
            self._stray_us = self._next_stray()

    def next_event_us(self) -> int | None:
        """Until when nothing can change on any line if the power stays; None when nothing ever will."""
        flip_us = self._flips[0][0] if self._flips else None
        due = (self._switch_us, self._stray_us, self.train.turns_us, flip_us)
        return min((time for time in due if time is not None), default=None)

    def advance(self, to_us: int) -> list[Edge]:
        """Let time run to `to_us` and give the edges up to then; ValueError for a time in the past."""
        if to_us < self._now_us:
            raise ValueError(f"time runs forward: {to_us} us lies before {self._now_us} us")
        edges: list[Edge] = []
        while (due := self.next_event_us()) is not None and due <= to_us:
            self._now_us = due
            self._happen(due)
            edges += self._flip(due)
        self._now_us = to_us
        return edges

    def _happen(self, now_us: int) -> None:
        """Queue the flips of whatever is due now: a magnet, a stray pulse, a turn of the train."""
        if self._switch_us == now_us:
            self._pass(self._switches[self.train.way][self._next], now_us)
            self._find_switch(self._next + 1)
        if self._stray_us == now_us:
            self._stray(now_us)
        if self.train.turns_us == now_us:
            self.train.drive(self.train.power, now_us)
            self._look_ahead()

    def _pass(self, switch: Switch, now_us: int) -> None:
        pulled = self._pulled[switch.reed]
        before = bool(pulled)
        if switch.pulls:
            pulled.add(switch.reach)
        else:
            pulled.discard(switch.reach)
        if bool(pulled) != before:
            for time in (now_us, *self._reeds[switch.reed].bounces(now_us, self._bouncing)):
                heapq.heappush(self._flips, (time, switch.reed))

    def _stray(self, now_us: int) -> None:
        line = self._straying.randrange(len(self._reeds))
        for time in (now_us, now_us + self._straying.randint(*NOISE_US)):
            heapq.heappush(self._flips, (time, line))
        self._stray_us = self._next_stray()

    def _flip(self, now_us: int) -> list[Edge]:
        before = list(self._levels)
        while self._flips and self._flips[0][0] == now_us:
            _, line = heapq.heappop(self._flips)
            self._levels[line] = not self._levels[line]
        return [
            Edge(now_us, reed.sensor, level)
            for reed, level, old in zip(self._reeds, self._levels, before, strict=True)
            if level != old
        ]

    def _next_stray(self) -> int | None:
        rate = self.train.consist.locomotive.noise
        return self._now_us + 1 + int(self._straying.expovariate(rate) * 1_000_000) if rate else None

    def _look_ahead(self) -> None:
        """Find which lobe pulls in or drops out next, after any change of the train's motion."""
        way = self.train.way
        fronts = [switch.front for switch in self._switches[way]]
        self._find_switch(bisect_right(fronts, way * self.train.front_at(self._now_us)))

    def _find_switch(self, number: int) -> None:
        """Expect switching point `number` along the way; never before now, whatever rounding says."""
        ahead = self._switches[self.train.way]
        self._next, self._switch_us = number, None
        if number < len(ahead):
            time = self.train.time_at(self.train.way * ahead[number].front)
            self._switch_us = None if time is None else max(time, self._now_us)

    def _passing(self, way: int) -> list[Switch]:
        """What happens as the train runs `way`, sorted along it (`front` is counted along it too)."""
        found = []
        for index, (reed, reaches) in enumerate(zip(self._reeds, self._reaches, strict=True)):
            for number, reach in enumerate(reaches):
                centre = way * (reed.place + reach.behind)
                found.append(Switch(centre - reach.pull_in, index, number, True))
                found.append(Switch(centre + reach.drop_out, index, number, False))
        return sorted(found)

    def _near(self, index: int) -> set[int]:
        """The lobes that hold a reed closed at the start."""
        front, reed = self.train.front_at(self._now_us), self._reeds[index]
        return {
            number
            for number, reach in enumerate(self._reaches[index])
            if abs(front - reach.behind - reed.place) <= reach.pull_in
        }
