"""Runs of harlow-basin over a real broker in real time, recorded: `python -m benchmarks.live_runs FOLDER NUMBER`.

Good runs, which differ by what the machine that simulates them does: a comparison has to call them the same.
"""

from __future__ import annotations

import argparse
import time
from concurrent.futures import ProcessPoolExecutor
from datetime import UTC, datetime
from pathlib import Path

from conformance.bench.brokers.broker import start_broker
from conformance.commands.demo.yard import demo_yard
from protocol.recording import Header
from protocol.site_file import scenario

LONGEST_S = 240.0


def one(folder: Path, number: int, seed: int) -> str:
    """Record one run."""
    path = folder / f"live-{number:03}.ywrec"
    header = Header("harlow-basin", datetime.now(UTC).isoformat(), "live", "live")
    with start_broker("mosquitto") as broker, demo_yard(scenario(), broker, path, header, seed) as yard:
        end = time.monotonic() + LONGEST_S
        while not yard.supervisor.finished and time.monotonic() < end:
            time.sleep(0.1)
            yard.check()
        time.sleep(1.0)
        return f"{path}: {'finished' if yard.supervisor.finished else 'NOT FINISHED'}"


def main() -> None:
    """Record as many as were asked for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("number", type=int)
    parser.add_argument("--at-once", type=int, default=2)
    parser.add_argument("--seed", type=int, default=1000, help="of the first; each has one of its own")
    asked = parser.parse_args()
    asked.folder.mkdir(parents=True, exist_ok=True)
    numbers = range(asked.number)
    with ProcessPoolExecutor(asked.at_once) as pool:
        for told in pool.map(one, [asked.folder] * asked.number, numbers, [asked.seed + n for n in numbers]):
            print(told, flush=True)


if __name__ == "__main__":
    main()
