"""Plays sequences of orders, sensors and faults of the link to the core in C, each judged: make core-sequences.

On virtual time, each role in turn, `--sequences` in all; every campaign has a seed and a boot of its own.
"""

from __future__ import annotations

import argparse
import ctypes
from collections.abc import Iterator
from pathlib import Path
from random import Random
from tempfile import TemporaryDirectory

from conformance.fuzz.link import link_of
from conformance.fuzz.run.campaign import Campaign, Options
from conformance.suite.fixture import Fixture
from tests.firmware.board import NODES, site
from tests.firmware.participant import library, virtual_bench

A_CAMPAIGN = 500
"""Sequences that are played to one board, which lives on from one to the next."""


def findings(program: ctypes.CDLL, role: str, seed: int, sequences: int) -> list[str]:
    """What a campaign finds; also where it ended before its last sequence."""
    node = NODES[role]
    bench = virtual_bench(program, node)
    options = Options(seed=seed, motion=True, rate=0, shorten_tries=0, kinds=("sequences",))
    run = Campaign(Fixture(bench, site(), node, Random(seed)), link_of(bench, node), options)
    run.run(lambda: run.cases < sequences)
    early = [f"ended after {run.cases} sequences: {run.ended}"] if run.cases < sequences else []
    return [*(str(found.finding) for found in run.found.values()), *early]


def shares(sequences: int) -> Iterator[tuple[str, int, int]]:
    """Role, seed and sequences of each campaign: each role has a third."""
    for place, role in enumerate(NODES):
        left = (sequences + place) // len(NODES)
        for seed in range(1, left // A_CAMPAIGN + 2):
            if number := min(A_CAMPAIGN, left - (seed - 1) * A_CAMPAIGN):
                yield role, seed, number


def main() -> int:
    """Exit 0 where nothing was found, 1 where something was."""
    parser = argparse.ArgumentParser(prog="make core-sequences", description=__doc__)
    parser.add_argument("--sequences", type=int, default=3000)
    wanted = parser.parse_args().sequences
    played, found = 0, 0
    with TemporaryDirectory() as name:
        programs = {role: library(Path(name) / role, node) for role, node in NODES.items()}
        for role, seed, number in shares(wanted):
            told = findings(programs[role], role, seed, number)
            played, found = played + number, found + len(told)
            print(f"{played:,} of {wanted:,} sequences: {role}, seed {seed}", flush=True)
            for one in told:
                print(f"  {one}", flush=True)
    print(f"{found} found")
    return min(found, 1)


if __name__ == "__main__":
    raise SystemExit(main())
