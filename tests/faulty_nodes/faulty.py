"""Nodes that are wrong on purpose: each is the reference node with one rule overridden, and names who must catch it."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

from conformance.bench.virtual_bench import Distortion, VirtualBench
from conformance.suite.fixture import Fixture
from conformance.tester.result import Result
from conformance.tester.runner import Run, Selection
from protocol.participant import Participant
from protocol.site import Site
from protocol.site_file import scenario
from reference_node.controller.controller import Controller
from reference_node.machines.node_machines import Machines
from reference_node.machines.world import World
from tests.faulty_nodes.board import Board, firmware


@dataclass(frozen=True, slots=True)
class Faulty:
    """One wrong node: what it breaks, the case that must say so, and how it is made."""

    name: str
    requirement: str
    caught_by: str
    node: str
    bench: bool
    controller: type[Controller]
    distort: Distortion | None
    load_sensor: bool = True
    """Whether the site file gives the cranes one."""

    @property
    def site(self) -> Site:
        """The site that the node belongs to."""
        return scenario() if self.load_sensor else with_sensors(scenario(), load_sensor=False)

    def run(self, only: tuple[str, ...] | None = None) -> Run:
        """A run over this node on virtual time, about to start."""
        return run_of(
            self.node,
            controller=self.controller,
            bench=self.bench,
            only=only,
            site=self.site,
            distort=self.distort,
        )


FAULTY: dict[str, Faulty] = {}


def faulty(
    requirement: str,
    caught_by: str,
    *,
    node: str = "siding",
    bench: bool = True,
    distort: Distortion | None = None,
    load_sensor: bool = True,
) -> Callable[[type[Controller]], type[Controller]]:
    """Enter a controller that breaks `requirement` and must be caught by the case `caught_by`."""

    def enter(controller: type[Controller]) -> type[Controller]:
        name = controller.__name__
        assert name not in FAULTY, name
        FAULTY[name] = Faulty(name, requirement, caught_by, node, bench, controller, distort, load_sensor)
        return controller

    return enter


def with_sensors(site: Site, load_sensor: bool) -> Site:
    """The site with the cranes' load sensors taken out or put in."""
    nodes = {
        name: replace(node, crane=replace(node.crane, load_sensor=load_sensor)) if node.crane else node
        for name, node in site.nodes.items()
    }
    return replace(site, nodes=nodes)


def judge(
    node: str,
    *,
    controller: type[Controller] = Controller,
    bench: bool = True,
    seed: int = 1,
    only: tuple[str, ...] | None = None,
    site: Site | None = None,
    distort: Distortion | None = None,
    latency_ms: tuple[int, int] = (1, 5),
    make: Callable[[int, int], Participant] | None = None,
) -> dict[str, Result]:
    """Run cases against a node in this process on virtual time."""
    return run_of(
        node,
        controller=controller,
        bench=bench,
        seed=seed,
        only=only,
        site=site,
        distort=distort,
        latency_ms=latency_ms,
        make=make,
    ).perform()


def run_of(
    node: str,
    *,
    controller: type[Controller] = Controller,
    bench: bool = True,
    seed: int = 1,
    only: tuple[str, ...] | None = None,
    site: Site | None = None,
    make: Callable[[int, int], Participant] | None = None,
    **bus: Any,
) -> Run:
    """The run that `judge` performs. A wrong controller that crashes is a board that hangs."""
    site = site or scenario()
    machines = Machines(site.nodes[node], World(site, alone=True), random.Random(seed))

    start = firmware(controller, site, node, bench=bench, machines=machines)

    def usual(boot: int, now_ms: int) -> Participant:
        if controller is Controller:
            return start(boot, now_ms, "power-on")
        return Board(start, boot, now_ms)

    virtual = VirtualBench(make or usual, random.Random(seed + 1), **bus)
    return Run(Fixture(virtual, site, node, random.Random(seed)), Selection(only=only))
