"""Nodes that differ from the reference in something that the text leaves open: all of them pass, always."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

from conformance.bench.virtual_bench import VirtualBench
from conformance.suite.fixture import Fixture
from conformance.suite.verdict import Verdict
from conformance.tester.result import Result
from conformance.tester.runner import Run, Selection
from protocol.participant import Participant
from protocol.site import Site
from protocol.site_file import scenario
from protocol.wire.virtual import VirtualBus
from protocol.wire.virtual_client import VirtualClient
from reference_node.controller.controller import Controller
from reference_node.machines.node_machines import Machines
from reference_node.machines.world import World
from tests.faulty_nodes.board import firmware

NODES = ("north", "south", "siding", "ferry")
CRANES, BERTH, SHUTTLE = ("north", "south"), ("siding",), ("ferry",)
SITE = scenario()
ON_BENCH, IN_SERVICE = True, False


@dataclass(frozen=True, slots=True)
class Legal:
    """One variant: what it does otherwise, the nodes that it can be, and what it is made of."""

    name: str
    nodes: tuple[str, ...]
    modes: tuple[bool, ...]
    """On the bench, in service, or both."""
    controller: type[Controller] = Controller
    client: type[VirtualClient] = VirtualClient
    site: Callable[[Site], Site] = lambda site: site
    machines: Callable[[Machines], None] = lambda _machines: None
    rests: Mapping[str, str] | None = None
    """Cases that show nothing of it, with the reason; no others may."""

    def run(self, node: str, *, bench: bool, seed: int = 1, only: tuple[str, ...] | None = None) -> Run:
        """A run over it on virtual time, about to start."""
        site = self.site(SITE)
        machines = Machines(site.nodes[node], World(site, alone=True), random.Random(seed))
        self.machines(machines)
        start = firmware(self.controller, site, node, bench=bench, machines=machines)

        def make(boot: int, now_ms: int) -> Participant:
            return start(boot, now_ms, "power-on")

        virtual = bench_of(self.client)(make, random.Random(seed + 1))
        return Run(Fixture(virtual, site, node, random.Random(seed)), Selection(only=only))

    def alarms(self, node: str, *, bench: bool, seed: int = 1) -> dict[str, str]:
        """The cases of a whole run that speak against it, or that show nothing."""
        return alarms(self.run(node, bench=bench, seed=seed).perform().values())


LEGAL: dict[str, Legal] = {}


def legal(
    nodes: tuple[str, ...] = NODES,
    modes: tuple[bool, ...] = (ON_BENCH, IN_SERVICE),
    *,
    site: Callable[[Site], Site] = lambda site: site,
    machines: Callable[[Machines], None] = lambda _machines: None,
) -> Callable[[type[Controller] | type[VirtualClient]], type[Controller] | type[VirtualClient]]:
    """Enter a controller, or the client below one, that may be one of `nodes`. Its docstring says what it does."""

    def enter(kind: type[Controller] | type[VirtualClient]) -> type[Controller] | type[VirtualClient]:
        name = kind.__name__
        assert name not in LEGAL, name
        assert kind.__doc__, f"{name} does not say what it does otherwise"
        if issubclass(kind, VirtualClient):
            LEGAL[name] = Legal(name, nodes, modes, client=kind, site=site, machines=machines)
        else:
            LEGAL[name] = Legal(name, nodes, modes, controller=kind, site=site, machines=machines)
        return kind

    return enter


def alarms(results: Iterable[Result]) -> dict[str, str]:
    """The results that are neither a pass nor left out."""
    return {
        one.case.id: f"{one.verdict.word}: {one.reason}"
        for one in results
        if one.verdict not in (Verdict.PASS, Verdict.NONE)
    }


def bench_of(client: type[VirtualClient]) -> type[VirtualBench]:
    """A bench whose nodes have this client."""
    bus = type(client.__name__, (VirtualBus,), {"client_class": client})
    return type(client.__name__, (VirtualBench,), {"bus_class": bus})
