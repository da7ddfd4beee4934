"""A run of the fuzzer over a board with a planted bug, on virtual time."""

from __future__ import annotations

import random
from typing import Any

from conformance.bench.virtual_bench import VirtualBench
from conformance.fuzz.link import link_of
from conformance.fuzz.run.campaign import Campaign, Options
from conformance.suite.fixture import Fixture
from protocol.site_file import scenario
from reference_node.controller.controller import Controller
from reference_node.machines.node_machines import Machines
from reference_node.machines.world import World
from tests.faulty_nodes.board import Board, firmware

VIRTUAL = {"shorten_tries": 300, "shorten_s": 36_000.0}
"""On virtual time making cases short costs little."""


def campaign(
    node: str,
    controller: type[Controller] = Controller,
    *,
    seed: int = 1,
    bench: bool = True,
    boards: list[Board] | None = None,
    motion: bool = True,
    **options: Any,
) -> Campaign:
    """A run over a board on virtual time; `boards` gathers the board of every start."""
    site = scenario()
    machines = Machines(site.nodes[node], World(site, alone=True), random.Random(seed))

    start = firmware(controller, site, node, bench=bench, machines=machines)

    def make(boot: int, now_ms: int) -> Board:
        board = Board(start, boot, now_ms)
        if boards is not None:
            boards.append(board)
        return board

    virtual = VirtualBench(make, random.Random(seed + 1))
    fixture = Fixture(virtual, site, node, random.Random(seed))
    return Campaign(fixture, link_of(virtual, node), Options(seed=seed, motion=motion, **VIRTUAL | options))
