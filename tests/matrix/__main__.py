"""Runs the matrix: `python -m tests.matrix`. What was judged by the present code is not judged again.

Options: `--processes N` (2), `--only PART` of ids, `--kind nodes` or `--kind supervisors`, `--sample N` for a fixed
part in which every kind of node and context has its share, `--minutes N` to stop after.
"""

from __future__ import annotations

import argparse
import os
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import ExitStack
from dataclasses import replace
from functools import partial
from itertools import chain
from multiprocessing import get_context
from typing import Any

import click
from rich.progress import track

from tests.faulty_nodes.matrix.planted import SEEDS
from tests.matrix.document import recorded, write
from tests.matrix.kinds import KINDS, judged
from tests.matrix.order import in_turn, merged, sample
from tests.matrix.outcome import CAUGHT, ROOT, Outcome, kept, line_of, revision_of

STORE = ROOT / "out" / "matrix"


def outcomes(kind: str) -> dict[str, Outcome]:
    """The newest that is known of each entry that there is now: what is recorded, then what was judged since."""
    there = {one.id for one in KINDS[kind].plan()}
    known = chain(recorded()[kind].values(), kept(STORE / f"{kind}.jsonl"))
    return {outcome.id: outcome for outcome in known if outcome.id in there}


def left(kind: str, *, only: str, seeds: int, part: int) -> tuple[list[Any], dict[str, str]]:
    """What the present code has not judged, first what no code has; and the revision that each is judged by."""
    plan, _, plant = KINDS[kind]
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
    return todo, wanted


def perform(
    kinds: Sequence[str], *, processes: int, only: str, until: float, seeds: int, part: int
) -> Iterator[str]:
    """Judge what is left of all kinds side by side, and keep it; gives the kind of each that was judged."""
    queues, revisions = {}, {}
    for kind in kinds:
        queues[kind], revisions[kind] = left(kind, only=only, seeds=seeds, part=part)
    tasks = merged(queues)
    STORE.mkdir(parents=True, exist_ok=True)
    with ExitStack() as opened, get_context("spawn").Pool(processes) as pool:
        stores = {kind: opened.enter_context((STORE / f"{kind}.jsonl").open("a")) for kind in kinds}
        queue = pool.imap_unordered(partial(judged, seeds=seeds), tasks)
        for kind, outcome in track(queue, "Faulty nodes and supervisors", total=len(tasks)):
            if isinstance(outcome, str):
                click.echo(f"not judged: {outcome}", err=True)
                continue
            stores[kind].write(line_of(replace(outcome, revision=revisions[kind][outcome.id])))
            stores[kind].flush()
            yield kind
            if time.monotonic() > until:
                pool.terminate()
                return


def main() -> None:
    """Run what is asked for, and write the document."""
    parser = argparse.ArgumentParser(prog="make matrix", description="Run every faulty node and supervisor.")
    parser.add_argument("--processes", type=int, default=min(2, os.cpu_count() or 1))
    parser.add_argument("--only", default="", help="a part of the ids")
    parser.add_argument("--kind", choices=sorted(KINDS), action="append")
    parser.add_argument("--seeds", type=int, default=len(SEEDS), help="with fewer, a first look at all")
    parser.add_argument("--sample", type=int, default=0, help="so many of each kind, always the same")
    parser.add_argument("--minutes", type=float, default=1e6)
    asked = parser.parse_args()
    began = time.monotonic()
    number = Counter(
        perform(
            asked.kind or list(KINDS),
            processes=asked.processes,
            only=asked.only,
            until=began + asked.minutes * 60,
            seeds=asked.seeds,
            part=asked.sample,
        )
    )
    told = ", ".join(f"{number[kind]} faulty {kind}" for kind in asked.kind or KINDS)
    click.echo(f"{told} judged, {time.monotonic() - began:.0f} s")
    click.echo(write({kind: outcomes(kind) for kind in KINDS}))


if __name__ == "__main__":
    main()
