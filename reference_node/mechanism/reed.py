"""Reed switches beside the track, and how a passing magnet works on one."""

from __future__ import annotations

import random
from collections.abc import Iterable
from dataclasses import dataclass

from reference_node.mechanism.train import Magnet

SIDE_LOBE = 0.3
"""How far a side lobe reaches compared with the main one (from memory: it is much the weaker)."""


@dataclass(frozen=True, slots=True)
class Reach:
    """A lobe of a magnet: closes a reed within `pull_in` of `behind`, opens it past `drop_out`."""

    behind: float
    pull_in: float
    drop_out: float


@dataclass(frozen=True, slots=True)
class Reed:
    """A switch at `place` mm along the track. Distances in mm for a magnet of strength 1, bounce in us.

    Pull-in and drop-out differ, contacts bounce for 0.5 to 1 ms, and a magnet passing parallel has a main
    lobe and two side lobes, so that one pass closes the switch one to three times: makers' application notes
    on reed switches.
    """

    sensor: str
    place: float
    pull_in: float = 6.0
    drop_out: float = 8.0
    lobe_shift: float = 14.0
    bounce_us: tuple[int, int] = (500, 1000)

    def __post_init__(self) -> None:
        if not 0 < self.pull_in < self.drop_out:
            raise ValueError("a reed drops out further away than it pulls in")
        if not 0 <= self.bounce_us[0] <= self.bounce_us[1]:
            raise ValueError("bounce lasts from a lower to a higher number of us")

    def reaches(self, magnets: Iterable[Magnet]) -> list[Reach]:
        """Every lobe of every magnet as this reed feels it."""
        found = []
        for magnet in magnets:
            shifts = (0.0,) if magnet.lobes == 1 else (-self.lobe_shift, 0.0, self.lobe_shift)
            for shift in shifts:
                scale = magnet.strength * (SIDE_LOBE if shift else 1.0)
                found.append(Reach(magnet.behind + shift, self.pull_in * scale, self.drop_out * scale))
        return found

    def bounces(self, at_us: int, rng: random.Random) -> list[int]:
        """The times at which the contact flips after it first moved at `at_us`: an even number, or none."""
        if not self.bounce_us[1]:
            return []
        lasts = rng.randint(*self.bounce_us)
        flips = {at_us + lasts} | {at_us + rng.randint(1, lasts) for _ in range(2 * rng.randint(1, 3))}
        ordered = sorted(flips)
        return ordered[len(ordered) % 2 :]
