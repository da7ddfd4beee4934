"""Runs on a real broker, some at a time, with processes beside them that keep the machine busy if that is asked for."""

from __future__ import annotations

import multiprocessing
from collections.abc import Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor, as_completed
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from random import Random

from conformance.bench.brokers.broker import Broker, start_broker
from conformance.bench.processes.spawned_node import spawned_node
from conformance.bench.tap.tap import Tap
from conformance.bench.wire_bench import WireBench
from conformance.suite.fixture import Fixture
from conformance.tester.result import Result
from conformance.tester.runner import Run
from protocol.site_file import load_site, scenario_text
from tests.faulty_nodes.c import board as shuttle_in_c
from tests.soak.virtual import NODES, Outcome, outcome

IN_C = "ferry in C"
"""The shuttle of `tests/faulty_nodes/c`, without a fault."""
ON_THE_WIRE = (*NODES, IN_C)


@dataclass(frozen=True, slots=True)
class Soak:
    """How the runs are made: where files go, how far limits in time are stretched, how many runs beside each other."""

    folder: Path
    slow: float
    side_by_side: int

    def runs(self, count: int, node: str) -> Iterator[Outcome]:
        """`count` runs over one of `ON_THE_WIRE`, as they end."""
        (self.folder / "site.toml").write_text(scenario_text())
        if node == IN_C:
            shuttle_in_c.build(self.folder, None)
        with ThreadPoolExecutor(self.side_by_side) as pool:
            started = [pool.submit(self._run, seed, node) for seed in range(1, count + 1)]
            for done in as_completed(started):
                yield done.result()

    def _run(self, seed: int, node: str) -> Outcome:
        with start_broker("mosquitto") as broker:
            results = self._in_c(seed, broker) if node == IN_C else self._in_python(seed, node, broker)
        return outcome(f"{node}, mosquitto, seed {seed}", results)

    def _in_python(self, seed: int, node: str, broker: Broker) -> Mapping[str, Result]:
        site_path = self.folder / "site.toml"
        with (
            Tap(broker.host, broker.port) as tap,
            spawned_node(tap, site_path, node) as restart,
            WireBench(tap, broker.address, restart, ended=restart.failure) as bench,
        ):
            return Run(Fixture(bench, load_site(site_path), node, Random(seed), self.slow)).perform()

    def _in_c(self, seed: int, broker: Broker) -> Mapping[str, Result]:
        program = shuttle_in_c.build(self.folder, None)
        with shuttle_in_c.on_the_bench(program, broker) as (_, bench, _fixture):
            fixture = Fixture(bench, shuttle_in_c.site(), shuttle_in_c.NODE, Random(seed), self.slow)
            return Run(fixture).perform()


@contextmanager
def kept_busy(count: int) -> Iterator[None]:
    """`count` processes that do nothing but compute."""
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
