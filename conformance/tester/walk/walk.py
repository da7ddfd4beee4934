"""A walk: from wherever the node is through all of the machine that it must be, to its end or the first difference."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from random import Random

from conformance.bench.virtual_bench import VirtualBench
from conformance.suite.fixture import Fixture
from conformance.suite.preamble import settle
from conformance.suite.verdict import Broken, Unclear
from conformance.suite.walk.alphabet import alphabet
from conformance.suite.walk.derivation import Derivation
from conformance.suite.walk.desk import Desk
from conformance.suite.walk.facts import Rules
from conformance.suite.walk.machine import Machine, derive
from conformance.suite.walk.tour import Tour
from conformance.tester.walk.follower import Follower, Played
from conformance.tester.walk.player import Hand, Player
from conformance.tester.walk.shrink import Again, shortest

FAILURE = "power-failure"
TIRED = 0.5
"""After this part of the time that a job may take it is brought to its end: a time-out is no matter of a walk."""
TRIES = 100
TRIES_ON_THE_WIRE = 8
"""How often a difference is played again until the way to it is short."""


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
    size: int = 0
    once: int = 0
    """How many lie where a life comes once, behind another way on than the one that was gone."""
    missed: list[str] = field(default_factory=list)
    """What could not be walked, in words."""
    dropped: list[str] = field(default_factory=list)
    """Letters that mean nothing to this node, and why."""
    jobs: int = 0
    """How many jobs were begun."""
    took_ms: float = 0.0
    broken: Broken | None = None
    shortest: list[tuple[Desk, str]] = field(default_factory=list)
    """The shortest sequence of letters that showed the difference; empty where it did not show again."""
    tried_again: bool = False
    """Whether it was played again until its way was short; a run may be stopped before that."""
    from_start: bool = False
    """Whether that follows on a start of the node; else on all that was played before."""


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
        self._felt = False
        """Whether the node has shown that it notices a loss of motor power."""
        self.progress: Callable[[Walked], None] = lambda _walked: None

    def run(self) -> Walked:
        """Walk until all is walked, or to the first difference, which is then in `broken` and made short."""
        walked = Walked(self.k, machine_for(self.fixture, motion=self.motion), self.motion)
        self.progress(walked)
        self._walk(walked)
        if walked.broken is not None:
            self.fixture.broken = walked.broken
            self._make_short(walked, walked.broken)
            walked.tried_again = True
        with suppress(Broken, Unclear):
            self._leave()
        return walked

    # ---- there

    def _walk(self, walked: Walked) -> None:
        began = self.fixture.bench.now_ms
        follower = self._set_out()
        start, hand = follower.desk, self.hand is not None
        walked.machine = machine_for(self.fixture, motion=self.motion, start=start, hand=hand)
        tour = Tour(walked.machine, self.k, Random(self.fixture.rng.getrandbits(32)))
        try:
            self._go(follower, tour, walked)
        except Broken as broken:
            walked.broken = self._placed(broken)
        finally:
            walked.walked, walked.size, walked.once = tour.walked, tour.size, tour.once
            walked.took_ms = self.fixture.bench.now_ms - began
            walked.missed += [f"{desk}: {' '.join(filter(None, letters))}" for desk, *letters in tour.missed]

    def _set_out(self) -> Follower:
        settle(self.fixture)
        self.fixture.claim()
        rules = Rules(self.fixture.asked, self.fixture.node)
        return Follower(Player(self.fixture, self.hand), Derivation(rules))

    def _go(self, follower: Follower, tour: Tour, walked: Walked) -> None:
        while True:
            desk = follower.desk
            name = self._tired(follower) or tour.next(desk)
            if name is None:
                return
            walked.trail.append((desk, name))
            faults = follower.player.seen.faults
            try:
                played = follower.play(walked.machine.letters[name])
            except Broken:
                if name != FAILURE or self._felt or follower.player.seen.faults != faults:
                    raise
                self._no_power_sense(follower, tour, walked)
                continue
            walked.walked, walked.size = tour.walked, tour.size
            self.progress(walked)
            if played is None:
                walked.trail.pop()
                tour.interrupted()
            else:
                self._note(played, name, tour, walked)

    def _tired(self, follower: Follower) -> str:
        """The letter that ends a job which has been open for long; '' while there is time."""
        since, desk = follower.player.open_since, follower.desk
        if since is None or not desk.open:
            return ""
        if self.fixture.bench.now_ms - since < TIRED * shortest_timeout_ms(self.fixture):
            return ""
        return "resume" if desk.held else "finish"

    @staticmethod
    def _no_power_sense(follower: Follower, tour: Tour, walked: Walked) -> None:
        """Only a node that notices the loss of motor power has to say so [FLT-06]; once it has, always."""
        walked.trail.pop()
        walked.dropped.append("a loss of motor power: the node does not notice it")
        tour.drop(FAILURE, follower.desk)

    def _note(self, played: Played, name: str, tour: Tour, walked: Walked) -> None:
        """A letter counts where it is sure in which state it came."""
        before = played.before
        self._felt |= name == FAILURE
        walked.jobs += any(one.outcome.begun for one in played.left)
        if before is None:
            tour.interrupted()
            return
        walked.trail[-1] = (before, name)
        walked.transitions[before, name] = played.now[0]
        tour.played(before, name, played.now[0])

    def _placed(self, broken: Broken) -> Broken:
        """What passes later is no evidence of it."""
        broken.at = self.fixture.log.end if broken.at is None else broken.at
        return broken

    # ---- a difference

    def _make_short(self, walked: Walked, broken: Broken) -> None:
        virtual = self.fixture.bench.kind == VirtualBench.kind and self.fixture.bench.can_restart
        tries = TRIES if virtual else TRIES_ON_THE_WIRE

        def attempt(choose: Callable[[Desk], list[str] | None]) -> Again | None:
            return self._attempt(choose, walked.machine, restart=virtual)

        again = shortest(walked.machine, walked.trail, broken, attempt, tries)
        if again is not None:
            walked.shortest, walked.broken, walked.from_start = again.steps, again.broken, virtual

    def _attempt(
        self, choose: Callable[[Desk], list[str] | None], machine: Machine, *, restart: bool
    ) -> Again | None:
        steps: list[tuple[Desk, str]] = []
        try:
            if restart:
                self._restart()
            follower = self._set_out()
        except (Broken, Unclear):
            return None
        try:
            for name in choose(follower.desk) or ():
                steps.append((follower.desk, name))
                if follower.play(machine.letters[name]) is None:
                    steps.pop()
        except Broken as broken:
            return Again(steps, self._placed(broken))
        except Unclear:
            return None
        return None

    def _restart(self) -> None:
        fixture = self.fixture
        boot = fixture.boot
        fixture.bench.restart()
        fixture.bench.wait(
            lambda: fixture.boot != boot and fixture.log.hears(fixture.topic()), fixture.patience_ms
        )

    def _leave(self) -> None:
        """Leave nothing closed that the next case would find so."""
        settle(self.fixture)
        if self.motion and self.fixture.node.crane and self.fixture.node.crane.load_sensor:
            self.fixture.stimulate(("load", False, 0))


def shortest_timeout_ms(fixture: Fixture) -> float:
    """The shortest time that one of the node's jobs may take, by the site file."""
    node = fixture.node
    times = [node.crane.job_timeout_ms] if node.crane else []
    times += [node.berth.arming_timeout_ms, node.berth.end_timeout_ms] if node.berth else []
    times += [node.shuttle.run_timeout_ms] if node.shuttle else []
    return fixture.stretched(min(times))
