"""`python -m tests.soak [--runs N] [--wire N]`: exit 1 where any run gave a false alarm."""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Iterable
from pathlib import Path
from tempfile import TemporaryDirectory

from tests.soak import virtual
from tests.soak.wire import ON_THE_WIRE, Soak, kept_busy

RUNS = 50
BUSY = 8
"""Processes that compute beside the second half of the runs on the wire."""
SIDE_BY_SIDE = 4


def tell(what: str, outcomes: Iterable[virtual.Outcome]) -> bool:
    """Print one line for these runs, each false alarm and what a stall left open.

    Gives whether no alarm was false, and one run at the least was judged whole, where there were any.
    """
    began, count, wrong, stalled = time.monotonic(), 0, 0, 0
    for outcome in outcomes:
        count += 1
        if outcome.alarms:
            wrong += 1
            print(f"{outcome.what}: {outcome.alarms}", flush=True)
        if outcome.left_open:
            stalled += 1
            print(f"{outcome.what}: left open by a stall: {', '.join(outcome.left_open)}", flush=True)
    took = f"{time.monotonic() - began:.0f} s"
    print(
        f"{what}: {count} runs, {wrong} with a false alarm, {stalled} with cases left open, {took}",
        flush=True,
    )
    return not wrong and (stalled < count or not count)


def main() -> int:
    """Run all of it."""
    parser = argparse.ArgumentParser(prog="python -m tests.soak", description=__doc__)
    parser.add_argument(
        "--runs", type=int, default=RUNS, help="runs over each node and link, on virtual time"
    )
    parser.add_argument("--wire", type=int, default=RUNS, help="runs over each node on mosquitto")
    parser.add_argument("--slow", type=float, default=1, help="how far limits are stretched on the wire")
    parser.add_argument("--node", choices=ON_THE_WIRE, action="append", help="on the wire, only this one")
    parser.add_argument("--busy", type=int, default=BUSY, help="processes that compute beside; 0: idle only")
    parser.add_argument("--side-by-side", type=int, default=SIDE_BY_SIDE, help="runs on the wire at a time")
    asked = parser.parse_args()
    clean = True
    for link in virtual.LINKS:
        clean &= tell(f"virtual time, {link} link", virtual.runs(asked.runs, link))
        clean &= tell(f"supervisor, virtual time, {link} link", virtual.supervisor_runs(asked.runs, link))
    with TemporaryDirectory() as folder:
        soak = Soak(Path(folder), asked.slow, asked.side_by_side)
        for busy in dict.fromkeys((0, asked.busy)):
            for node in asked.node or ON_THE_WIRE:
                with kept_busy(busy):
                    clean &= tell(
                        f"{node} on mosquitto, {busy} processes beside it", soak.runs(asked.wire, node)
                    )
    return 0 if clean else 1


if __name__ == "__main__":
    sys.exit(main())
