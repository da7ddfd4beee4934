"""How long a walk over a node will be: told before anything moves."""

from __future__ import annotations

from dataclasses import dataclass
from random import Random

from conformance.suite.walk.alphabet import alphabet
from conformance.suite.walk.derivation import Derivation
from conformance.suite.walk.desk import Desk
from conformance.suite.walk.facts import Rules
from conformance.suite.walk.machine import Machine, derive
from conformance.suite.walk.tour import Tour
from protocol.site import Site
from protocol.specification import specification

ROUND_TRIP_S = 0.03
JOB_S = 3.0
STANDING_S = 3.6
"""What a letter, a job to its end, and the wait until a machine has settled take, roughly."""
AWAY_S = 1.0
"""How long a node is away after its connection was cut, for one that comes back soon."""
REPEATED = 1.15
"""Letters of a tour of pairs for each pair, about."""


@dataclass(frozen=True, slots=True)
class Length:
    """A walk as it is foreseen."""

    steps: int
    jobs: int
    seconds: float

    @property
    def words(self) -> str:
        """The time in words."""
        if self.seconds < 90:
            return "about a minute"
        return f"about {round(self.seconds / 60)} minutes"


def length_of(site: Site, node: str, k: int, *, motion: bool = True) -> Length:
    """How long the walk is from the state in which a node comes up: one tour over its machine, with no node."""
    spec = specification()
    letters = alphabet(site, site.nodes[node], spec, motion=motion, hand=False)
    machine = derive(Derivation(Rules(spec, site.nodes[node])), letters)
    single = _tour(machine)
    if k == 1:
        return single
    pairs = sum(
        len(machine.edges[machine.next(desk, letter)])
        for desk, edges in machine.edges.items()
        for letter in edges
    )
    times = pairs * REPEATED / single.steps
    return Length(round(single.steps * times), round(single.jobs * times), single.seconds * times)


def _tour(machine: Machine) -> Length:
    tour, desk = Tour(machine, 1, Random(1)), machine.first
    steps, jobs, seconds = 0, 0, 0.0
    while (letter := tour.next(desk)) is not None:
        outcome = machine.edges[desk][letter][0]
        steps, jobs = steps + 1, jobs + outcome.begun
        seconds += _takes(desk, letter)
        tour.played(desk, letter, outcome.next)
        desk = outcome.next
    return Length(steps, jobs, seconds)


def _takes(desk: Desk, letter: str) -> float:
    if letter in ("finish", "grip", "miss"):
        return JOB_S
    if letter == "pushed" and "lost" not in desk.machines:
        return STANDING_S
    return {"reconnect": AWAY_S, "power-failure": 0.3}.get(letter, ROUND_TRIP_S)
