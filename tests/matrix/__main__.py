"""Runs the matrix: `python -m tests.matrix`. What was judged by the present code is not judged again.

Options: `--processes N` (2), `--only PART` of ids, `--kind nodes` or `--kind supervisors`, `--sample N` for a fixed
part in which every kind of node and context has its share, `--minutes N` to stop after.
"""

from __future__ import annotations

import argparse
import os
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from functools import partial
from itertools import chain
from multiprocessing import get_context
from typing import Any, NamedTuple

import click
from rich.progress import track

from tests.faulty_nodes.matrix.every import BREACHES as NODE_BREACHES
from tests.faulty_nodes.matrix.judge import judge_by_all as judge_of_nodes
from tests.faulty_nodes.matrix.plan import planned as nodes
from tests.faulty_nodes.matrix.planted import SEEDS
from tests.faulty_supervisors.matrix.breaches import BREACHES as SUPERVISOR_BREACHES
from tests.faulty_supervisors.matrix.judge import judge as judge_of_supervisors
from tests.faulty_supervisors.matrix.plan import planned as supervisors
from tests.matrix.document import recorded, write
from tests.matrix.order import in_turn, sample
from tests.matrix.outcome import CAUGHT, ROOT, Outcome, kept, line_of, revision_of

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
    """The newest that is known of each entry that there is now: what is recorded, then what was judged since."""
    there = {one.id for one in KINDS[kind].plan()}
    known = chain(recorded()[kind].values(), kept(STORE / f"{kind}.jsonl"))
    return {outcome.id: outcome for outcome in known if outcome.id in there}


def perform(
    kind: str, *, processes: int, only: str, until: float, seeds: int, part: int
) -> Iterator[Outcome]:
    """Judge what the present code has not judged, and keep it: first what no code has."""
    plan, judge, plant = KINDS[kind]
    wanted = {one.id: revision_of(plant(one)) for one in plan()}
    known = outcomes(kind)
    there = {
        id_
        for id_, one in known.items()
        if one.revision == wanted[id_] and (not one.caught or one.tried >= seeds or one.state != CAUGHT)
    }
    chosen = in_turn(plan()) if not part else sample(plan(), part)
    todo = [one for one in chosen if one.id not in there and only in one.id]
    todo.sort(key=lambda one: one.id in known)
    path = STORE / f"{kind}.jsonl"
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("a") as store, get_context("spawn").Pool(processes) as pool:
        queue = pool.imap_unordered(partial(judge, seeds=SEEDS[:seeds]), todo)
        for outcome in track(queue, f"Faulty {kind}", total=len(todo)):
            store.write(line_of(replace(outcome, revision=wanted[outcome.id])))
            store.flush()
            yield outcome
            if time.monotonic() > until:
                pool.terminate()
                return


def main() -> None:
    """Run what is asked for, and write the document where all is there."""
    parser = argparse.ArgumentParser(prog="make matrix", description="Run every faulty node and supervisor.")
    parser.add_argument("--processes", type=int, default=min(2, os.cpu_count() or 1))
    parser.add_argument("--only", default="", help="a part of the ids")
    parser.add_argument("--kind", choices=sorted(KINDS), action="append")
    parser.add_argument("--seeds", type=int, default=len(SEEDS), help="with fewer, a first look at all")
    parser.add_argument("--sample", type=int, default=0, help="so many of each kind, always the same")
    parser.add_argument("--minutes", type=float, default=1e6)
    asked = parser.parse_args()
    began = time.monotonic()
    until = began + asked.minutes * 60
    for kind in asked.kind or KINDS:
        if time.monotonic() < until:
            judged = perform(
                kind,
                processes=asked.processes,
                only=asked.only,
                until=until,
                seeds=asked.seeds,
                part=asked.sample,
            )
            number = sum(1 for _ in judged)
            click.echo(f"{number} faulty {kind} judged, {time.monotonic() - began:.0f} s")
    click.echo(write({kind: outcomes(kind) for kind in KINDS}))


if __name__ == "__main__":
    main()
