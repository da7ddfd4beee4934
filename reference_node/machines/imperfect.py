"""Cranes over tracks as mechanisms really are: imperfections from a seed, which whoever measures does not know."""

from __future__ import annotations

import math
import random
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from protocol.site import PlaceKind, Site
from reference_node.mechanism.imperfection import Crank, Eccentric, Mechanism, SlippedTooth

KINDS = ("period", "curvature", "step", "gap", "drift", "trains")
"""An eccentric, a crank, a slipped tooth, play, temperature, one locomotive that scatters more."""
SCATTER, TIMES = 0.4, 3.0
"""Repeatability of the rest, in units of the axis, and how large an imperfection is, in multiples of it."""
LOW, HIGH = 100, 410
"""Rest readings of the trains that come in."""
UNSURE = "freight"
"""The locomotive that scatters more."""
WARMS_BY, WITHIN_S = 10.0, 1_800.0
"""Degrees by which a room warms up, and how long it takes to do two thirds of it."""


@dataclass(frozen=True, slots=True)
class ImperfectTrack:
    """One crane over one track. Readings from `low` to `high` are what its table may hold."""

    mechanism: Mechanism
    low: int
    high: int

    def stands(self, way: float, train: str, chance: float, at_s: float) -> float:
        """Where a train stands on the crane's first axis; `way` is where it rests, as an ideal berth would read it.

        `chance` is this arrival's, of standard deviation 1; `at_s` is the time since the yard was switched on.
        """
        made = self.mechanism
        degrees = WARMS_BY * (1 - math.exp(-at_s / WITHIN_S))
        spread = made.scatters.get(train, made.scatter)
        return made.position(way) + spread * chance + made.per_degree * degrees


def imperfect_tracks(
    site: Site, planted: Sequence[str], rng: random.Random
) -> Mapping[tuple[str, str], ImperfectTrack]:
    """For every crane over a track the mechanism with each of `planted`, of `TIMES` the repeatability.

    Without any it is a line with scatter. The truth rests on the seed and on how far the axis reaches, never on the
    table in the site file, which is what is to be measured. Raises ValueError for what is none of `KINDS`.
    """
    unknown = set(planted) - set(KINDS)
    if unknown:
        raise ValueError(f"no such imperfection: {min(unknown)}")
    found = {}
    for node in site.nodes.values():
        for entry in node.crane.places.values() if node.crane is not None else ():
            if entry.table and site.places[entry.place].kind is PlaceKind.TRACK and node.crane is not None:
                axis, far = node.crane.axes[0], max(slot[0] for slot in entry.slots)
                found[node.name, entry.place] = _track(axis.least, axis.most - far, planted, rng)
    return found


def planted_tracks(
    site: Site, planted: Sequence[str], seed: int
) -> Mapping[tuple[str, str], ImperfectTrack] | None:
    """The mechanisms of a seed, the same wherever they are simulated; None where nothing is planted.

    Then a train stands where the tables of the site file say. Raises ValueError as `imperfect_tracks` does.
    """
    return imperfect_tracks(site, planted, random.Random(f"{seed} mechanism")) if planted else None


def _track(least: float, most: float, planted: Sequence[str], rng: random.Random) -> ImperfectTrack:
    """A line near the middle of what the axis reaches, and a tenth of a millimetre for each of the reading, or so."""
    factor = 0.1 * rng.uniform(0.9, 1.1)
    first = least + (most - least) / 2 * rng.uniform(0.98, 1.02)
    made = Mechanism(first - factor * LOW, factor, SCATTER)
    for kind in planted:
        made = _with(made, kind, LOW, HIGH, rng)
    return ImperfectTrack(made, LOW, HIGH)


def _with(made: Mechanism, kind: str, low: int, high: int, rng: random.Random) -> Mechanism:
    amount, width = TIMES * SCATTER * rng.choice((-1, 1)), high - low
    match kind:
        case "gap":
            return replace(made, play=amount)
        case "drift":
            return replace(made, per_degree=amount / WARMS_BY)
        case "trains":
            return replace(made, scatters={UNSURE: SCATTER * (1 + TIMES)})
        case "period":
            one: Eccentric | Crank | SlippedTooth = Eccentric(
                amount, rng.uniform(0.25, 0.7) * width, rng.uniform(0, 2 * math.pi)
            )
        case "curvature":
            one = Crank(low, high, amount)
        case _:
            one = SlippedTooth(rng.uniform(low + 0.25 * width, high - 0.25 * width), amount)
    return replace(made, imperfections=(*made.imperfections, one))
