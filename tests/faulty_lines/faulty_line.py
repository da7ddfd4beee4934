"""Nodes that are wrong at their end of a serial line: each is the reference node there with one rule overridden."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass, replace

from conformance.bench.serial.virtual_bench import VirtualSerialBench
from conformance.suite.fixture import Fixture
from conformance.tester.runner import Run, Selection
from protocol.site import Encoding, Site
from protocol.site_file import scenario
from protocol.wire.serial.node_line import NodeLine
from reference_node.controller.controller import Controller
from reference_node.machines.node_machines import Machines
from reference_node.machines.world import World


def site_on_lines() -> Site:
    """harlow-basin with every node but the supervisor on a cable: CBOR both ways [SER-01]."""
    site = scenario()
    nodes = {name: replace(node, reads="cbor", writes=Encoding.CBOR) for name, node in site.nodes.items()}
    return replace(site, nodes=nodes)


def bench_of(
    name: str,
    *,
    node_class: type[NodeLine] = NodeLine,
    controller: type[Controller] = Controller,
    seed: int = 1,
    rate: int = 115_200,
) -> VirtualSerialBench:
    """A node at the end of a virtual line, switched on."""
    site, rng = site_on_lines(), random.Random(seed)

    def make(boot: int, started_ms: int) -> Controller:
        own = random.Random(f"{seed}/{boot}")
        world = World(site, alone=True)
        machines = Machines(site.nodes[name], world, own, now_ms=started_ms)
        return controller(
            site, name, boot=boot, bench=True, machines=machines, rng=own, started_ms=started_ms
        )

    return VirtualSerialBench(make, site, name, rng, rate=rate, node_class=node_class)


def run_of(
    bench: VirtualSerialBench, name: str, only: tuple[str, ...] | None = None, slow: float = 1.0
) -> Run:
    """A run over it, about to start."""
    return Run(Fixture(bench, site_on_lines(), name, random.Random(1), slow), Selection(only))


@dataclass(frozen=True, slots=True)
class FaultyLine:
    """One wrong node: what it breaks, the case that must say so, and its end of the line."""

    name: str
    requirement: str
    caught_by: str
    node_class: type[NodeLine]


FAULTY_LINES: dict[str, FaultyLine] = {}


def faulty(requirement: str, caught_by: str) -> Callable[[type[NodeLine]], type[NodeLine]]:
    """Enter an end of a line that breaks `requirement` and must be caught by the case `caught_by`."""

    def enter(node_class: type[NodeLine]) -> type[NodeLine]:
        name = node_class.__name__
        assert name not in FAULTY_LINES, name
        FAULTY_LINES[name] = FaultyLine(name, requirement, caught_by, node_class)
        return node_class

    return enter
