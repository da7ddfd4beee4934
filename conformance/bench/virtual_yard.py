"""Simulated nodes and a supervisor under test on one virtual bus."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from random import Random

from conformance.bench.virtual_bench import Distortion, VirtualBench
from conformance.peers.yard import simulated_nodes
from conformance.suite.brief import Brief
from conformance.suite.yard_bench import YardBench
from protocol.participant import Participant, Publication
from protocol.site import Site

SupervisorMaker = Callable[[int, int, Brief | None], Participant]
"""Makes the supervisor under test from its boot, the instant of its start in ms and its brief."""


class VirtualYard(VirtualBench, YardBench):
    """The supervisor is the participant whose link is judged; the nodes have links of their own."""

    def __init__(
        self,
        site: Site,
        make: SupervisorMaker,
        rng: Random,
        *,
        latency_ms: tuple[int, int] = (1, 5),
        loss: float = 0.0,
        distort: Distortion | None = None,
    ) -> None:
        """`distort` stands for a faulty link layer beneath a sound supervisor."""
        self._brief: Brief | None = None
        super().__init__(
            lambda boot, ms: make(boot, ms, self._brief),
            rng,
            latency_ms=latency_ms,
            loss=loss,
            distort=distort,
        )
        self._nodes = simulated_nodes(site, rng)
        for node in self._nodes.values():
            self.bus.attach(node)

    def _call(self, name: str, work: Callable[[Participant, int], Sequence[Publication]]) -> None:
        self.bus.call(name, work)

    def restart_with(self, brief: Brief) -> None:
        """Another life of the supervisor."""
        self._brief = brief
        self.restart()
