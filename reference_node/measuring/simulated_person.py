"""A person at a simulated crane, who sees how far the spreader is off and says what a careful person would."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from random import Random

from reference_node.machines.node_machines import Machines
from reference_node.machines.world import World
from reference_node.measuring.course import Course
from reference_node.measuring.plan import Phase

EYE = 0.1
"""Standard deviation of what the eye tells, in units of the first axis."""
SAYS_MS = 1_000
"""How long it takes to look and to say the next word."""
BEYOND = 8
"""How far the crane goes past, to come back from above."""


class Eye:
    """What can be seen at a simulated crane: how far the spreader is from the slot it is measured over."""

    def __init__(
        self, world: World, machines: Machines, crane: str, place: str, slot: int, rng: Random
    ) -> None:
        self._world, self._machines, self._rng = world, machines, rng
        self._crane, self._place, self._slot = crane, place, slot

    def off(self) -> float | None:
        """How far the first axis has to go still; None while no train stands there, or something moves."""
        crane = self._machines.crane
        stands = self._world.rests_at(self._crane, self._place)
        if crane is None or not crane.still or stands is None:
            return None
        slot = crane_slot(self._world, self._crane, self._place, self._slot)
        return stands + slot - crane.spreader_at[0] + self._rng.gauss(0, EYE)


def crane_slot(world: World, crane: str, place: str, slot: int) -> int:
    """The figure that a slot adds to the first axis."""
    found = world.site.nodes[crane].crane
    assert found is not None
    return found.places[place].slots[slot][0]


class SimulatedPerson:
    """Measures so many arrivals from both sides, one locomotive after the other, and quits."""

    def __init__(
        self,
        course: Course,
        eye: Eye,
        trains: Sequence[str],
        arrivals: int,
        enough: Callable[[], bool] | None = None,
    ) -> None:
        """`enough`, asked after each arrival, ends it earlier."""
        self._course, self._eye, self._trains, self._left = course, eye, trains, arrivals
        self._enough, self._done = enough, 0
        self._todo: list[str] = []
        self._said_ms = 0

    def look(self) -> None:
        """Say the next word, if one is waited for; to be called with every look around."""
        course, now_ms = self._course, self._course.supervisor.now_ms
        if now_ms - self._said_ms < SAYS_MS:
            return
        word = self._word(course.phase)
        if word is not None:
            self._said_ms = now_ms
            course.say(word)

    def _word(self, phase: Phase) -> str | None:
        if phase is Phase.ASKED:
            return "yes"
        if phase is Phase.TRAIN:
            return f"admit {self._train()}"
        if phase is not Phase.AT_REST:
            return None
        return self._at_rest()

    def _train(self) -> str:
        return self._trains[self._done % len(self._trains)]

    def _at_rest(self) -> str | None:
        """From below, then past it and from above."""
        if not self._todo:
            self._todo = ["over", "from below", "it", "beyond", "from above", "it", "next"]
        off = self._eye.off()
        if off is None:
            return None
        wanted, axis = self._todo.pop(0), self._course.jobs.crane.axes[0].name
        match wanted:
            case "from below" | "from above":
                return f"{axis} {self._towards(off, up=wanted == 'from below')}"
            case "beyond":
                return f"{axis} {BEYOND}"
            case "it":
                return f"it {off:.1f}"
            case "next":
                self._done += 1
                enough = self._enough is not None and self._enough()
                return "quit" if self._done >= self._left or enough else f"next {self._train()}"
        return wanted

    def _towards(self, off: float, *, up: bool) -> int:
        """The last step there goes the way that is wanted; where it is past the place it first goes back."""
        way, most = 1 if up else -1, self._course.ways.jogs.largest[0]
        steps = math.floor(off * way + 0.5)
        if not 0 < steps <= most:
            self._todo.insert(0, "from below" if up else "from above")
            steps = min(most, max(-most, steps - (BEYOND if steps <= 0 else 0)))
        return steps * way
