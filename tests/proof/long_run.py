"""The long run: larger sites, all pairs of disturbances, triples, over processes; what is done is not done again."""

from __future__ import annotations

import json
import time
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from dataclasses import asdict
from itertools import chain
from pathlib import Path

from tests.proof.budgets import pairs, sites, triples
from tests.proof.run import Outcome, explore
from tests.proof.yard.budget import Budget

DONE = Path("out/proof/long.jsonl")
"""One line for each budget that was explored; remove it to begin again."""
MOST = 1_500_000
"""States of one budget; one that has more is told as not complete."""


def done() -> list[Outcome]:
    """What has been explored."""
    if not DONE.exists():
        return []
    return [Outcome(**json.loads(line)) for line in DONE.read_text(encoding="utf-8").splitlines()]


def main(processes: int, hours: float, only: str, most: int = MOST) -> int:
    """Go on for so many hours of processor, with `most` states of each. 1 where something is wrong."""
    DONE.parent.mkdir(parents=True, exist_ok=True)
    known = {one.name for one in done()}
    waiting = [
        one for one in chain(sites(), pairs(), triples()) if only in one.name and one.name not in known
    ]
    begun, bad = time.monotonic(), 0
    with ProcessPoolExecutor(processes) as pool, DONE.open("a", encoding="utf-8") as file:
        running: set[Future[Outcome]] = set()
        queue: list[Budget] = waiting[::-1]
        while queue or running:
            late = time.monotonic() - begun > hours * 3600 / processes
            while queue and len(running) < processes and not late:
                running.add(pool.submit(explore, queue.pop(), most=most))
            if not running:
                break
            ended, running = wait(running, return_when=FIRST_COMPLETED)
            for one in ended:
                outcome = one.result()
                file.write(json.dumps(asdict(outcome)) + "\n")
                file.flush()
                print(outcome.line, flush=True)
                if outcome.wrong:
                    bad += 1
                    print(outcome.wrong, flush=True)
    return 1 if bad else 0


def table() -> str:
    """The outcomes as a table of Markdown."""
    lines = ["| budget | states | edges | depth | processor | |", "|---|---:|---:|---:|---:|---|"]
    for one in sorted(done(), key=lambda outcome: outcome.name):
        end = "violation" if one.wrong else "complete" if one.complete else "not complete"
        lines.append(
            f"| {one.name} | {one.states:,} | {one.edges:,} | {one.depth} | {one.seconds:.0f} s | {end} |"
        )
    return "\n".join(lines) + "\n"
