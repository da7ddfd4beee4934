"""Plays every legal variant as every node that it can be: `python -m tests.legal_nodes --seeds 20`."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator
from dataclasses import replace
from itertools import product
from multiprocessing import Pool
from random import Random

import click
from rich.progress import track

from protocol.wire.virtual_client import VirtualClient
from tests.legal_nodes.every import LEGAL
from tests.legal_nodes.legal import Legal

Trial = tuple[tuple[str, ...], str, bool, int]


def combined(names: tuple[str, ...]) -> Legal:
    """Several variants in one: the controllers' classes mixed, the last site and client."""
    every = [LEGAL[name] for name in names]
    if len(every) == 1:
        return every[0]
    kinds = tuple(dict.fromkeys(one.controller for one in every))
    client = next((one.client for one in every if one.client is not VirtualClient), every[0].client)
    return replace(every[0], name="+".join(names), controller=type("Combined", kinds, {}), client=client)


def trials(seeds: int, pairs: int) -> Iterator[Trial]:
    """Each variant as each of its nodes, and random pairs of one that is a link's and one that is a controller's."""
    for one in LEGAL.values():
        for node, bench, seed in product(one.nodes, one.modes, range(1, seeds + 1)):
            yield (one.name,), node, bench, seed
    chance = Random(1)
    links = [one for one in LEGAL.values() if one.client is not VirtualClient]
    others = [one for one in LEGAL.values() if one.client is VirtualClient]
    for seed in range(1, pairs + 1):
        link, other = chance.choice(links), chance.choice(others)
        yield (other.name, link.name), chance.choice(other.nodes), chance.choice(other.modes), seed


def play(trial: Trial) -> tuple[Trial, dict[str, str]]:
    """One run, with what speaks against it."""
    names, node, bench, seed = trial
    return trial, combined(names).alarms(node, bench=bench, seed=seed)


def main() -> int:
    """Play them all on two cores, and say which failed."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=1)
    parser.add_argument("--pairs", type=int, default=0)
    given = parser.parse_args()
    todo, wrong = list(trials(given.seeds, given.pairs)), 0
    with Pool(2) as pool:
        for (names, node, bench, seed), alarms in track(pool.imap(play, todo), "Legal nodes", len(todo)):
            wrong += bool(alarms)
            for case, why in alarms.items():
                where = "on the bench" if bench else "in service"
                click.echo(f"{' and '.join(names)} as {node} {where}, seed {seed}: {case} {why}")
    click.echo(f"{len(todo)} runs, {wrong} with an alarm")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
