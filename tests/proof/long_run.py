"""The long run: larger sites, all pairs of disturbances, triples, over processes; what is done is not done again.

What was found is kept in a folder that may lie anywhere, a line for each budget as soon as it has ended, so a run may
be stopped at any time and goes on with the next budget. `python -m tests.proof.document --long FOLDER` enters it in
`long.jsonl` here, of which the table in docs/proof.md is made.
"""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from dataclasses import asdict
from functools import cache
from itertools import chain
from pathlib import Path

from tests.proof.budgets import pairs, sites, triples
from tests.proof.run import Outcome, collect_seldom, explore
from tests.proof.yard.budget import Budget
from tests.proof.yard.participants import Steps

FOLDER = Path("out/proof")
"""Where nothing else is said; remove its `long.jsonl` to begin again."""
RECORDED = Path(__file__).parent / "long.jsonl"
"""What the table shows: one line for each budget that was explored."""
MOST = 1_500_000
"""States of one budget; one that has more is told as not complete."""
MOST_STEPS = 400_000
"""A process that has done so many steps of participants forgets them: they are what fills its memory."""

_steps: dict[str, Steps] = {}


def read(file: Path) -> list[Outcome]:
    """What has been explored. A line that was being written when a run was stopped is left out."""
    if not file.exists():
        return []
    lines = file.read_text(encoding="utf-8").splitlines(keepends=True)
    return [Outcome(**json.loads(line)) for line in lines if line.endswith("\n")]


def budgets() -> Iterator[Budget]:
    """All of them, the small ones first: with a net that is faster than machines, then with every race."""
    return chain(sites(), pairs(calm=True), pairs(), triples(calm=True), triples())


def main(processes: int, hours: float, only: str, most: int = MOST, folder: Path = FOLDER) -> int:
    """Go on for so many hours of processor, with `most` states of each. 1 where something is wrong."""
    folder.mkdir(parents=True, exist_ok=True)
    file = folder / "long.jsonl"
    known = read(file)
    file.write_text("".join(_line(one) for one in known), encoding="utf-8")
    names = {one.name for one in known if one.complete or one.wrong or one.states >= most}
    queue = [one for one in budgets() if only in one.name and one.name not in names][::-1]
    begun, spent, bad = time.monotonic(), 0.0, 0
    with ProcessPoolExecutor(processes, initializer=collect_seldom) as pool, file.open("a") as out:
        running: set[Future[Outcome]] = set()
        while queue or running:
            late = spent > hours * 3600 or time.monotonic() - begun > hours * 36_000
            while queue and len(running) < processes and not late:
                running.add(pool.submit(_explore, queue.pop(), most))
            if not running:
                break
            ended, running = wait(running, return_when=FIRST_COMPLETED)
            for one in ended:
                outcome = one.result()
                spent += outcome.seconds
                out.write(_line(outcome))
                out.flush()
                print(outcome.line, flush=True)
                if outcome.wrong:
                    bad += 1
                    print(outcome.wrong, flush=True)
    return 1 if bad else 0


def _explore(budget: Budget, most: int) -> Outcome:
    """In one of the processes, which does no step of a participant again that it has done for another budget."""
    steps = _steps.get(budget.site)
    if steps is None or steps.done > MOST_STEPS:
        _steps.clear()
        steps = _steps[budget.site] = Steps(budget.site)
    return explore(budget, steps=steps, most=most)


def _line(outcome: Outcome) -> str:
    return json.dumps(asdict(outcome)) + "\n"


@cache
def _order() -> dict[str, int]:
    return {one.name: number for number, one in enumerate(budgets())}


def enter(folder: Path) -> None:
    """Enter what was found in `folder` in what the table shows."""
    found = {one.name: one for one in chain(read(RECORDED), read(folder / "long.jsonl"))}
    rows = sorted(found.values(), key=lambda one: _order().get(one.name, len(_order())))
    RECORDED.write_text("".join(_line(one) for one in rows), encoding="utf-8")


def table() -> str:
    """What was found as a table of Markdown."""
    rows = read(RECORDED)
    lines = ["| budget | states | edges | depth | processor | |", "|---|---:|---:|---:|---:|---|"]
    for one in rows:
        end = "violation" if one.wrong else "complete" if one.complete else "not complete"
        lines.append(
            f"| {one.name} | {one.states:,} | {one.edges:,} | {one.depth} | {one.seconds:.0f} s | {end} |"
        )
    complete = sum(one.complete for one in rows)
    states, edges = sum(one.states for one in rows), sum(one.edges for one in rows)
    minutes = sum(one.seconds for one in rows) / 60
    lines.append(
        f"| **{complete} of {len(rows)} complete; {len(_order())} in all** | **{states:,}** | **{edges:,}** "
        f"| | **{minutes:.0f} min** | |"
    )
    return "\n".join(lines) + "\n"
