"""Runs on a real broker, some at a time, with both cores kept busy if that is asked for."""

from __future__ import annotations

import multiprocessing
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor, as_completed
from contextlib import contextmanager
from pathlib import Path
from random import Random

from conformance.bench.brokers.broker import start_broker
from conformance.bench.processes.spawned_node import spawned_node
from conformance.bench.tap.tap import Tap
from conformance.bench.wire_bench import WireBench
from conformance.suite.fixture import Fixture
from conformance.tester.runner import Run
from protocol.site_file import load_site
from tests.soak.virtual import Outcome, alarms

SIDE_BY_SIDE = 4


def runs(count: int, site_path: Path, node: str, slow: float) -> Iterator[Outcome]:
    """`count` runs, as they end. Limits in time are stretched by `slow`: the runs share the machine."""
    with ThreadPoolExecutor(SIDE_BY_SIDE) as pool:
        started = [pool.submit(_run, seed, site_path, node, slow) for seed in range(1, count + 1)]
        for done in as_completed(started):
            yield done.result()


def _run(seed: int, site_path: Path, node: str, slow: float) -> Outcome:
    with (
        start_broker("mosquitto") as broker,
        Tap(broker.host, broker.port) as tap,
        spawned_node(tap, site_path, node) as restart,
        WireBench(tap, broker.address, restart, ended=restart.failure) as bench,
    ):
        run = Run(Fixture(bench, load_site(site_path), node, Random(seed), slow))
        return Outcome(f"{node}, mosquitto, seed {seed}", alarms(run.perform()))


@contextmanager
def cores_loaded(count: int) -> Iterator[None]:
    """`count` processes that do nothing but keep a core busy."""
    busy = [multiprocessing.Process(target=_spin, daemon=True) for _ in range(count)]
    for process in busy:
        process.start()
    try:
        yield
    finally:
        for process in busy:
            process.terminate()
            process.join()


def _spin() -> None:
    while True:
        pass
