"""`make prove`: every small budget to its end; with --long pairs and triples, spread over processes, resumable."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from tests.proof import kill_list, long_run
from tests.proof.budgets import small
from tests.proof.run import Outcome, collect_seldom, explore, record, recorded
from tests.proof.timed import run as timed_run
from tests.proof.timed.yard import timed
from tests.proof.yard.participants import Steps


def main() -> int:
    """0: as recorded, and nothing wrong; 1: something is wrong or missing."""
    parser = argparse.ArgumentParser(prog="make prove", description=__doc__)
    parser.add_argument(
        "--record", action="store_true", help="keep the counts of states as those to be found"
    )
    parser.add_argument("--long", action="store_true", help="pairs of disturbances, then triples")
    parser.add_argument("--kill", action="store_true", help="take every rule away in turn")
    parser.add_argument(
        "--kill-again", action="store_true", help="only those whose absence was found, each where it was"
    )
    parser.add_argument("--only", default="", help="budgets, or rules, whose name has this in it")
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--hours", type=float, default=2.0, help="of processor, for --long")
    parser.add_argument("--most", type=int, default=long_run.MOST, help="states of one budget, for --long")
    parser.add_argument(
        "--folder",
        type=Path,
        default=long_run.FOLDER,
        help="where --long keeps what it found, and goes on from",
    )
    asked = parser.parse_args()
    if asked.long:
        return long_run.main(asked.processes, asked.hours, asked.only, asked.most, asked.folder)
    if asked.kill_again:
        return kill_list.again(asked.only)
    if asked.kill:
        return kill_list.main(asked.only)
    return _small(asked.only, keep=asked.record)


def _small(only: str, *, keep: bool) -> int:
    outcomes: list[Outcome] = []
    bad = 0
    collect_seldom()
    known = {} if keep else recorded()
    steps: dict[str, Steps] = {}
    for budget in small():
        if only not in budget.name:
            continue
        outcome = explore(budget, steps=steps.setdefault(budget.site, Steps(budget.site)))
        outcomes.append(outcome)
        print(outcome.line, flush=True)
        fewer = outcome.states < known.get(budget.name, {"states": 0})["states"]
        if outcome.wrong or fewer or not outcome.complete:
            bad += 1
            print(outcome.wrong or f"FEWER STATES THAN RECORDED: {known.get(budget.name)}")
        elif keep:
            record([outcome])
    for timed_budget in timed() if not only or only in "time" else ():
        outcome = timed_run.explore(timed_budget)
        outcomes.append(outcome)
        print(f"time: {outcome.line}", flush=True)
        if outcome.wrong or outcome.states < timed_run.recorded()[outcome.name]["states"]:
            bad += 1
            print(outcome.wrong or f"FEWER STATES THAN RECORDED: {timed_run.recorded()[outcome.name]}")
    states, edges = sum(one.states for one in outcomes), sum(one.edges for one in outcomes)
    seconds = sum(one.seconds for one in outcomes)
    print(
        f"{len(outcomes)} budgets, {states:,} states, {edges:,} edges, {seconds:.0f} s of processor, {bad} bad"
    )
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
