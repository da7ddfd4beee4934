"""Prints tables of ratios: `python -m benchmarks [CHAPTER ...]`; exit 1 where a bound is not kept.

Figures depend on the machine; ratios much less so.
"""

from __future__ import annotations

import argparse
import os
import platform
import sys
from collections.abc import Callable, Iterator

from benchmarks import conformance, core, firmware, fuzz, page, proof, readers, runs, serial, store, traffic
from benchmarks.row import Row, show

MESSAGES = 1_000_000

CHAPTERS: dict[str, Callable[[argparse.Namespace], Iterator[Row]]] = {
    "core": lambda asked: core.rows(),
    "conformance": lambda asked: conformance.rows(),
    "firmware": lambda asked: firmware.rows(),
    "fuzz": lambda asked: fuzz.rows(asked.hours),
    "page": lambda asked: page.rows(),
    "proof": lambda asked: proof.rows(),
    "readers": lambda asked: readers.rows(asked.payloads),
    "runs": lambda asked: runs.rows(),
    "serial": lambda asked: serial.rows(),
    "store": lambda asked: store.rows(asked.stored),
    "traffic": lambda asked: traffic.rows(asked.messages),
}


def main() -> int:
    """Print the chapters asked for, all by default; gives the exit code."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks", description=__doc__)
    parser.add_argument("chapters", nargs="*", metavar="CHAPTER", help=", ".join(CHAPTERS))
    parser.add_argument("--messages", type=int, default=MESSAGES, help="length of the recordings of traffic")
    parser.add_argument("--stored", type=int, default=store.MESSAGES, help="messages in the store of Parquet")
    parser.add_argument(
        "--hours", type=float, default=0.0, help="virtual hours of fuzzing over the sound nodes"
    )
    parser.add_argument("--payloads", type=int, default=MESSAGES, help="how many the readers are tried on")
    asked = parser.parse_args()
    unknown = [name for name in asked.chapters if name not in CHAPTERS]
    if unknown:
        parser.error(f"no chapter {', '.join(unknown)}; there are: {', '.join(CHAPTERS)}")
    print(
        f"Python {platform.python_version()}, {platform.system()} {platform.machine()}, {os.cpu_count()} cores"
    )
    met = True
    for name in asked.chapters or CHAPTERS:
        print(f"\n## {name}\n")
        met = show(CHAPTERS[name](asked)) and met
    return 0 if met else 1


if __name__ == "__main__":
    sys.exit(main())
