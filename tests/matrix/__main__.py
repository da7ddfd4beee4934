"""Runs the matrix: `python -m tests.matrix`. What is there already of the same revision is not run again.

Options: `--processes N` (2), `--only PART` of ids, `--nodes` or `--supervisors` alone, `--minutes N` to stop after.
"""

from __future__ import annotations

import argparse
import os
import time
from collections.abc import Callable, Iterator, Sequence
from functools import partial
from multiprocessing import get_context
from pathlib import Path
from random import Random
from typing import Any, NamedTuple

import click
from rich.progress import track

from tests.faulty_nodes.matrix.every import BREACHES as NODE_BREACHES
from tests.faulty_nodes.matrix.judge import judge as judge_of_nodes
from tests.faulty_nodes.matrix.judge import walked
from tests.faulty_nodes.matrix.plan import planned as nodes
from tests.faulty_nodes.matrix.planted import SEEDS
from tests.faulty_supervisors.matrix.breaches import BREACHES as SUPERVISOR_BREACHES
from tests.faulty_supervisors.matrix.judge import judge as judge_of_supervisors
from tests.faulty_supervisors.matrix.plan import planned as supervisors
from tests.matrix.document import write
from tests.matrix.outcome import CAUGHT, ROOT, SURVIVED, UNVISITED, Outcome, kept, line_of, revision_of

STORE = ROOT / "out" / "matrix"


class Kind(NamedTuple):
    """Faulty nodes, or faulty supervisors."""

    plan: Callable[[], Sequence[Any]]
    judge: Callable[..., Outcome]
    plant: Callable[[Any], Callable[[Any], None]]
    """What is planted for an entry."""


KINDS: dict[str, Kind] = {
    "nodes": Kind(nodes, judge_of_nodes, lambda planted: NODE_BREACHES[planted.breach]),
    "supervisors": Kind(
        supervisors, judge_of_supervisors, lambda planted: SUPERVISOR_BREACHES[planted.breach]
    ),
}


def outcomes(kind: str) -> dict[str, Outcome]:
    """What is kept of what there is now, by id."""
    wanted = {one.id: revision_of(KINDS[kind].plant(one)) for one in KINDS[kind].plan()}
    return {
        outcome.id: outcome for of, outcome in kept(STORE / f"{kind}.jsonl") if wanted.get(outcome.id) == of
    }


def perform(kind: str, *, processes: int, only: str, until: float, seeds: int) -> Iterator[Outcome]:
    """Judge what is not kept, and keep it. In an order drawn once, so that a part of it is a fair sample."""
    plan, judge, plant = KINDS[kind]
    there = {id_ for id_, one in outcomes(kind).items() if one.state != CAUGHT or one.tried >= seeds}
    todo = {one.id: one for one in plan() if one.id not in there and only in one.id}
    order = sorted(todo)
    Random(7).shuffle(order)
    path: Path = STORE / f"{kind}.jsonl"
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("a") as store, get_context("spawn").Pool(processes) as pool:
        queue = pool.imap_unordered(partial(judge, seeds=SEEDS[:seeds]), (todo[id_] for id_ in order))
        for outcome in track(queue, f"Faulty {kind}", total=len(todo)):
            store.write(line_of(outcome, revision_of(plant(todo[outcome.id]))))
            store.flush()
            yield outcome
            if time.monotonic() > until:
                pool.terminate()
                return


def follow(seeds: int, processes: int, only: str, until: float) -> int:
    """Let the walk judge the nodes that the cases do not catch; gives how many."""
    plan = {one.id: one for one in nodes()}
    todo = [
        one
        for id_, one in outcomes("nodes").items()
        if one.state in (SURVIVED, UNVISITED) and not one.walk and only in id_
    ]
    Random(7).shuffle(todo)
    number = 0
    with (STORE / "nodes.jsonl").open("a") as store, get_context("spawn").Pool(processes) as pool:
        pairs = [(one, plan[one.id], SEEDS[:seeds]) for one in todo]
        for outcome in track(pool.imap_unordered(walked, pairs), "Walks", total=len(todo)):
            store.write(line_of(outcome, revision_of(NODE_BREACHES[plan[outcome.id].breach])))
            store.flush()
            number += 1
            if time.monotonic() > until:
                pool.terminate()
                break
    return number


def main() -> None:
    """Run what is asked for, and write the document where all is there."""
    parser = argparse.ArgumentParser(prog="make matrix", description="Run every faulty node and supervisor.")
    parser.add_argument("--processes", type=int, default=min(2, os.cpu_count() or 1))
    parser.add_argument("--only", default="", help="a part of the ids")
    parser.add_argument("--kind", choices=sorted(KINDS), action="append")
    parser.add_argument("--seeds", type=int, default=len(SEEDS), help="with fewer, a first look at all")
    parser.add_argument("--minutes", type=float, default=1e6)
    asked = parser.parse_args()
    began = time.monotonic()
    until = began + asked.minutes * 60
    for kind in asked.kind or KINDS:
        if time.monotonic() < until:
            number = sum(
                1
                for _ in perform(
                    kind, processes=asked.processes, only=asked.only, until=until, seeds=asked.seeds
                )
            )
            click.echo(f"{number} faulty {kind} judged, {time.monotonic() - began:.0f} s")
    if "nodes" in (asked.kind or KINDS) and time.monotonic() < until:
        number = follow(asked.seeds, asked.processes, asked.only, until)
        click.echo(f"{number} walks, {time.monotonic() - began:.0f} s")
    click.echo(write({kind: outcomes(kind) for kind in KINDS}))


if __name__ == "__main__":
    main()
