"""A walk: from wherever the node is through all of the machine that it must be, to its end or the first difference."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from random import Random

from conformance.suite.fixture import Fixture
from conformance.suite.preamble import settle
from conformance.suite.verdict import Broken
from conformance.suite.walk.alphabet import alphabet
from conformance.suite.walk.derivation import Derivation
from conformance.suite.walk.desk import Desk
from conformance.suite.walk.facts import Rules
from conformance.suite.walk.machine import Machine, derive
from conformance.suite.walk.tour import Tour
from conformance.tester.walk.follower import Follower, Played
from conformance.tester.walk.player import Hand, Player

TIRED = 0.5
"""After this part of the time that a job may take it is brought to its end: a time-out is no matter of a walk."""


@dataclass(slots=True)
class Walked:
    """How far a walk came; grows as it goes, so that one which is broken off can be told."""

    k: int
    machine: Machine
    motion: bool
    trail: list[tuple[Desk, str]] = field(default_factory=list)
    """Every letter that was played, with the state that it came in."""
    transitions: dict[tuple[Desk, str], Desk] = field(default_factory=dict)
    """Every transition that was seen, and where it led."""
    walked: int = 0
    once: int = 0
    """How many lie where a life comes once, behind another way on than the one that was gone."""
    size: int = 0
    missed: list[str] = field(default_factory=list)
    """What was not to be walked, and why, in words."""
    took_ms: float = 0.0
    broken: Broken | None = None
    at: tuple[Desk, str] | None = None
    """Where the first difference is."""
    shortest: list[tuple[Desk, str]] = field(default_factory=list)
    """The shortest sequence of letters that showed it."""
    from_start: bool = False
    """Whether that begins with a start of the node; else it follows on all that was before."""
    again: bool = False
    """Whether the difference showed again."""


def machine_for(fixture: Fixture, *, motion: bool, start: Desk | None = None, hand: bool = False) -> Machine:
    """The machine that the node of a fixture must be, as far as letters lead from `start`."""
    letters = alphabet(fixture.site, fixture.node, fixture.asked, motion=motion, hand=hand)
    return derive(Derivation(Rules(fixture.asked, fixture.node)), letters, start)


class Walk:
    """One walk over one node on the bench."""

    def __init__(
        self, fixture: Fixture, k: int = 1, *, motion: bool = True, hand: Hand | None = None
    ) -> None:
        """`hand` takes a crane by hand, where the bench can do that."""
        self.fixture, self.k, self.motion, self.hand = fixture, k, motion, hand
        self.progress: Callable[[Walked], None] = lambda _walked: None

    def run(self) -> Walked:
        """Walk until all is walked, or to the first difference, which is then in `broken`."""
        fixture = self.fixture
        settle(fixture)
        fixture.claim()
        began = fixture.bench.now_ms
        follower = Follower(Player(fixture, self.hand), Derivation(Rules(fixture.asked, fixture.node)))
        machine = machine_for(fixture, motion=self.motion, start=follower.desk, hand=self.hand is not None)
        tour = Tour(machine, self.k, Random(fixture.rng.getrandbits(32)))
        walked = Walked(self.k, machine, self.motion, size=tour.size)
        try:
            self._go(follower, tour, walked)
        except Broken as broken:
            walked.broken = broken
        finally:
            walked.walked, walked.once, walked.took_ms = tour.walked, tour.once, fixture.bench.now_ms - began
            walked.missed += [f"{desk}: {' '.join(filter(None, letters))}" for desk, *letters in tour.missed]
        return walked

    def _go(self, follower: Follower, tour: Tour, walked: Walked) -> None:
        while True:
            desk = follower.desk
            name = self._tired(follower) or tour.next(desk)
            if name is None:
                return
            walked.trail.append((desk, name))
            walked.at = (desk, name)
            played = follower.play(walked.machine.letters[name])
            self.progress(walked)
            if played is None:
                walked.trail.pop()
                tour.interrupted()
                continue
            self._note(played, name, tour, walked)

    def _tired(self, follower: Follower) -> str:
        """The letter that ends a job which has been open for long; '' while there is time."""
        since, desk = follower.player.open_since, follower.desk
        if since is None or not desk.open:
            return ""
        if self.fixture.bench.now_ms - since < TIRED * shortest_timeout_ms(self.fixture):
            return ""
        return "resume" if desk.held else "finish"

    def _note(self, played: Played, name: str, tour: Tour, walked: Walked) -> None:
        """A letter counts where it is sure in which state it came."""
        if name == "power-failure" and ("power-failure") in walked.machine.letters and _nothing_felt(played):
            self._no_power_sense(tour, walked)
        before = played.before
        if before is None:
            tour.interrupted()
            return
        walked.trail[-1] = (before, name)
        walked.transitions[before, name] = played.now[0]
        tour.played(before, name, played.now[0])

    def _no_power_sense(self, tour: Tour, walked: Walked) -> None:
        tour.drop("power-failure")
        walked.missed.append("power-failure: the node has no sense of motor power")


def _nothing_felt(played: Played) -> bool:
    return played.step.after.faults == played.step.before.faults


def shortest_timeout_ms(fixture: Fixture) -> float:
    """The shortest time that one of the node's jobs may take, by the site file."""
    node = fixture.node
    times = [node.crane.job_timeout_ms] if node.crane else []
    times += [node.berth.arming_timeout_ms, node.berth.end_timeout_ms] if node.berth else []
    times += [node.shuttle.run_timeout_ms] if node.shuttle else []
    return fixture.stretched(min(times))
