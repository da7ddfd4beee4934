"""The long run: larger sites, all pairs of disturbances, triples, over processes; what is done is not done again.

What was found is kept in a folder that may lie anywhere, a line for each budget as soon as it has ended, so a run may
be stopped at any time and goes on with the next budget. `python -m tests.proof.document --long FOLDER` enters it in
`long.jsonl` here, of which the table in docs/proof.md is made.
"""

from __future__ import annotations

import json
import signal
import time
from collections.abc import Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from contextlib import contextmanager
from dataclasses import asdict
from functools import cache
from itertools import chain
from math import prod
from multiprocessing import active_children
from pathlib import Path

from tests.proof.budgets import pairs, sites, triples
from tests.proof.run import Outcome, collect_seldom, explore, recorded
from tests.proof.yard.budget import DISTURBANCES, Budget
from tests.proof.yard.participants import Steps

FOLDER = Path("out/proof")
"""Where nothing else is said; remove its `long.jsonl` to begin again."""
RECORDED = Path(__file__).parent / "long.jsonl"
"""What the table shows: one line for each budget that was explored."""
MOST = 1_500_000
"""States of one budget; one that has more is told as not complete."""
STOPPED = 130
"""What the program ends with after Ctrl-C."""
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
    """All of them: pairs with a net that is faster than machines, larger sites, pairs with every race, triples."""
    return chain(
        _by_size(pairs(calm=True)),
        sites(),
        _by_size(pairs()),
        _by_size(triples(calm=True)),
        _by_size(triples()),
    )


def _by_size(some: Iterable[Budget]) -> list[Budget]:
    """Those first that will have the fewest states, by how many more each disturbance alone makes of them."""
    alone = {name: _growth(name) for name in DISTURBANCES}
    return sorted(some, key=lambda budget: prod(alone[name] for name in budget.may))


def _growth(disturbance: str) -> float:
    """How many times the states of the undisturbed crane, by what is recorded of the small budgets."""
    known = {name: one["states"] for name, one in recorded().items() if name.startswith("crane")}
    calm = {name: states for name, states in known.items() if name.endswith(", calm")}
    for name, states in calm.items():
        if name.endswith(f" {disturbance}, calm"):
            return states / min(calm.values())
    return next(
        (
            states / known["crane: undisturbed"]
            for name, states in known.items()
            if name.endswith(f": {disturbance}")
        ),
        1.0,
    )


def main(processes: int, hours: float, only: str, most: int = MOST, folder: Path = FOLDER) -> int:
    """Go on for so many hours of processor, with `most` states of each. 1 where something is wrong."""
    folder.mkdir(parents=True, exist_ok=True)
    file = folder / "long.jsonl"
    known = read(file)
    file.write_text("".join(_line(one) for one in known), encoding="utf-8")
    names = {one.name for one in known if one.complete or one.wrong or one.states >= most}
    queue = [one for one in budgets() if only in one.name and one.name not in names][::-1]
    begun, spent, bad = time.monotonic(), 0.0, 0
    with _stopping_well(), ProcessPoolExecutor(processes, initializer=_begin) as pool, file.open("a") as out:
        running: set[Future[Outcome]] = set()
        try:
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
        except KeyboardInterrupt:
            for child in active_children():
                child.terminate()
            print(f"stopped; what has ended is kept in {file}", flush=True)
            return STOPPED
    return 1 if bad else 0


@contextmanager
def _stopping_well() -> Iterator[None]:
    """Ctrl-C and a request to end raise KeyboardInterrupt in here, also in a run put into the background."""

    def stop(number: int, frame: object) -> None:
        raise KeyboardInterrupt

    before = {number: signal.signal(number, stop) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _begin() -> None:
    """In each of the processes: Ctrl-C is for the one that started them."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, signal.SIG_DFL)
    collect_seldom()


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
