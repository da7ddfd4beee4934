"""A measurement on virtual time, by a simulated person at simulated machines: an hour in seconds."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from random import Random

from protocol.site import Site
from protocol.wire.virtual import VirtualBus
from protocol.wire.virtual_time import VirtualTime
from reference_node.machines.imperfect import ImperfectTrack
from reference_node.measuring.course import Course
from reference_node.measuring.measuring_supervisor import MeasuringSupervisor
from reference_node.measuring.plan import Found, Plan
from reference_node.measuring.simulated_person import Eye, SimulatedPerson
from reference_node.scenario.simulated_yard import SimulatedYard

LOOK_MS = 100
NODES_FIRST_MS = 1_000
WITHIN_MS = 8 * 3_600_000


class VirtualMeasurement:
    """The whole yard on a virtual bus; the same chance gives the same pairs."""

    def __init__(
        self,
        site: Site,
        plan: Plan,
        tracks: Mapping[tuple[str, str], ImperfectTrack],
        rng: Random,
        arrivals: int,
        found: Callable[[Found, int], None],
        tell: Callable[[str], None],
        enough: Callable[[], bool] | None = None,
    ) -> None:
        """`rng` is all chance but that of the mechanism; `found` gets each pair and the time in ms.

        `enough` ends it before so many arrivals.
        """
        self.time = VirtualTime()
        self.bus = VirtualBus(self.time, Random(rng.random()))
        self.yard = SimulatedYard(site, {}, (), Random(rng.random()), 0, imperfect=tracks)
        for name in self.yard.machines:
            self.bus.attach(self.yard.controller(name, 0))
        self.time.run_until(NODES_FIRST_MS)
        berth = site.places[plan.place].node
        self.supervisor = MeasuringSupervisor(
            site, site.with_role("supervisor")[0].name, nodes=(plan.crane, berth), boot=rng.getrandbits(16),
            rng=Random(rng.random()), started_ms=self.time.now_ms,
        )  # fmt: skip
        self.course = Course(self.supervisor, plan, lambda one: found(one, self.time.now_ms), tell)
        machines = self.yard.machines[plan.crane]
        eye = Eye(self.yard.truth, machines, plan.crane, plan.place, plan.slot, Random(rng.random()))
        trains: Sequence[str] = plan.trains or ("",)
        self._person = SimulatedPerson(self.course, eye, trains, arrivals, enough)
        self.bus.attach(self.supervisor)

    def run(self) -> int:
        """Play it to its end; gives the virtual time it took, in ms."""
        self._look()
        self.time.run_until_true(lambda: bool(self.course.ended), WITHIN_MS)
        return self.time.now_ms

    def _look(self) -> None:
        self.course.go_on()
        self._person.look()
        if not self.course.ended:
            self.time.call_in(LOOK_MS, self._look)
