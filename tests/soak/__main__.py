"""`python -m tests.soak [--runs N] [--wire N]`: exit 1 at the first false alarm in any run."""

from __future__ import annotations

import argparse
import os
import sys
import time
from collections.abc import Iterable
from contextlib import nullcontext
from pathlib import Path
from tempfile import TemporaryDirectory

from protocol.site_file import scenario_text
from tests.soak import virtual, wire

RUNS = 50
ON_THE_WIRE = ("north", "ferry")
"""A berth waits half a minute for a train that does not come; its runs are on virtual time only."""


def tell(what: str, outcomes: Iterable[virtual.Outcome]) -> bool:
    """Print one line for these runs, and each false alarm. Gives whether there was none."""
    began, count, wrong = time.monotonic(), 0, 0
    for outcome in outcomes:
        count += 1
        if outcome.alarms:
            wrong += 1
            print(f"{outcome.what}: {outcome.alarms}", flush=True)
    print(f"{what}: {count} runs, {count - wrong} clean, {time.monotonic() - began:.0f} s", flush=True)
    return not wrong


def main() -> int:
    """Run all of it."""
    parser = argparse.ArgumentParser(prog="python -m tests.soak", description=__doc__)
    parser.add_argument(
        "--runs", type=int, default=RUNS, help="runs over each node and link, on virtual time"
    )
    parser.add_argument("--wire", type=int, default=RUNS, help="runs over each node on mosquitto")
    parser.add_argument("--slow", type=float, default=4, help="how far limits are stretched on the wire")
    asked = parser.parse_args()
    cores = os.cpu_count() or 1
    clean = True
    for link in virtual.LINKS:
        clean &= tell(f"virtual time, {link} link", virtual.runs(asked.runs, link))
        clean &= tell(f"supervisor, virtual time, {link} link", virtual.supervisor_runs(asked.runs, link))
    with TemporaryDirectory() as folder:
        site_path = Path(folder) / "site.toml"
        site_path.write_text(scenario_text())
        for loaded in (False, True):
            with wire.cores_loaded(cores) if loaded else nullcontext():
                how = f"{cores} cores loaded" if loaded else "cores idle"
                for node in ON_THE_WIRE:
                    outcomes = wire.runs(asked.wire, site_path, node, asked.slow)
                    clean &= tell(f"{node} on mosquitto, {how}", outcomes)
    return 0 if clean else 1


if __name__ == "__main__":
    sys.exit(main())
