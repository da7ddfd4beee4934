"""The fuzzer against a node in C with bugs of firmware, each a process of its own on a real broker.

Mostly cases of one payload: sequences and faults of the link pause for seconds of our own time here, and are left to
the bugs in Python. It needs gcc and the header of libmosquitto; where they are missing there are no rows, and a
sentence says so.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path
from tempfile import TemporaryDirectory

from benchmarks.hunted import Hunted
from conformance.bench.brokers.broker import start_broker
from conformance.fuzz.link import link_of
from conformance.fuzz.run.campaign import Campaign, Options
from tests.faulty_nodes.c.board import NODE, build, on_the_bench
from tests.faulty_nodes.c.bugs import BUGS, Bug
from tests.needs import header_is_there, is_there

SEED = 1
CASES = 3000
"""The budget for one bug."""
KINDS = {"payload": ("payloads",), "wrap": ("sequences",)}
SHORTEN_S = 60
DAY_50_MS = 2**32 - 16_000
"""The uptime at which a board with a bug of the wrap is switched on: what is ordered soon is due beyond it."""


def hunts(*, seed: int = SEED, cases: int = CASES) -> Iterator[Hunted]:
    """All bugs of the node in C."""
    if not (is_there("gcc") and header_is_there("mosquitto.h")):
        print(
            "not measured: the node in C needs gcc and mosquitto.h (Debian: libmosquitto-dev)",
            file=sys.stderr,
        )
        return
    with TemporaryDirectory() as folder:
        for name, bug in BUGS.items():
            yield hunt(name, bug, build(Path(folder), name), seed=seed, cases=cases)


def hunt(name: str, bug: Bug, program: Path, *, seed: int = SEED, cases: int = CASES) -> Hunted:
    """Fuzz one bug until it is found and made short, or the budget is spent."""
    uptime = DAY_50_MS if bug.uptime else 0
    with start_broker("auto") as broker, on_the_bench(program, broker, uptime) as (_, bench, fixture):
        options = Options(seed=seed, motion=True, rate=0, kinds=KINDS[bug.needs], shorten_s=SHORTEN_S)
        run = Campaign(fixture, link_of(bench, NODE), options)
        says = name.removeprefix("BUG_").replace("_", " ").lower()
        return Hunted.by(run, cases, bug=says, needs=f"{bug.needs}, in C")
