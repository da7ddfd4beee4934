"""Runs of harlow-basin over a real broker in real time, recorded: `python -m benchmarks.live_runs FOLDER NUMBER`.

Good runs, which differ by what the machine that simulates them does: a comparison has to call them the same. How long
that machine stood still at its worst is kept of each (`stall_ms` in runs.toml), so that `yardwire diff` can ask
whether being called different goes along with it.
"""

from __future__ import annotations

import argparse
import time
from concurrent.futures import ProcessPoolExecutor
from datetime import UTC, datetime
from pathlib import Path

from conformance.bench.brokers.broker import start_broker
from conformance.commands.demo.yard import demo_yard
from conformance.recordings.runs.marks import write_mark
from conformance.recordings.runs.name import RunName
from conformance.recordings.runs.rule import CutRule
from conformance.suite.stalls import NOTICED_MS
from protocol.recording import Header
from protocol.site_file import scenario

LONGEST_S = 240.0
TICK_S = 0.02


def one(folder: Path, number: int, seed: int) -> tuple[Path, bool, int]:
    """Record one run; gives its file, whether it came to its end, and the longest stall in ms, 0 for none."""
    path = folder / f"live-{number:03}.ywrec"
    header = Header("harlow-basin", datetime.now(UTC).isoformat(), "live", "live")
    with start_broker("mosquitto") as broker, demo_yard(scenario(), broker, path, header, seed) as yard:
        end = time.monotonic() + LONGEST_S
        longest_s = 0.0
        while not yard.supervisor.finished and time.monotonic() < end:
            began = time.monotonic()
            time.sleep(TICK_S)
            longest_s = max(longest_s, time.monotonic() - began - TICK_S)
            yard.check()
        time.sleep(1.0)
        longest_ms = round(1000 * longest_s)
        return path, yard.supervisor.finished, longest_ms if longest_ms >= NOTICED_MS else 0


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
        for path, finished, stall_ms in pool.map(
            one, [asked.folder] * asked.number, numbers, [asked.seed + number for number in numbers]
        ):
            write_mark(asked.folder, RunName(path.name, 1), {"stall_ms": stall_ms}, CutRule())
            print(
                f"{path}: {'finished' if finished else 'NOT FINISHED'}, longest stall {stall_ms} ms",
                flush=True,
            )


if __name__ == "__main__":
    main()
