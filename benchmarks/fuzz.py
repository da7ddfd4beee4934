"""The fuzzer against planted bugs, against the sound reference nodes, and against a bare loop on the wire.

Run by itself, `python -m benchmarks.fuzz` prints the table of docs/fuzzing.md.
"""

from __future__ import annotations

import itertools
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from random import Random
from tempfile import TemporaryDirectory
from threading import Event

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from benchmarks import fuzz_in_c
from benchmarks.hunted import Hunted, table
from benchmarks.row import Row
from conformance.bench.brokers.broker import Broker, start_broker
from conformance.bench.processes.spawned_node import spawned_node
from conformance.bench.tap.tap import Tap
from conformance.bench.wire_bench import WireBench
from conformance.fuzz.link import link_of
from conformance.fuzz.run.campaign import Campaign, Options
from conformance.suite.fixture import Fixture
from protocol.codec import encode
from protocol.site import Encoding
from protocol.site_file import load_site, scenario_text
from tests.faulty_nodes.bugs.campaign import campaign
from tests.faulty_nodes.bugs.catalogue import BUGS, Bug

SEED = 1
CASES = 3000
"""The budget for one planted bug."""
SOAK_CASES = 2000
"""Cases of one seed in a long run."""
SOUND = ("siding", "ferry", "north", "south")
WIRE_CASES = 3000
WANTED = 0.5
"""Cases a second of the fuzzer to exchanges a second of the bare loop, at the least."""


def hunt(bug: Bug, *, seed: int = SEED, cases: int = CASES) -> Hunted:
    """Fuzz one bug on virtual time until it is found and made short, or the budget is spent."""
    run = campaign(bug.node, bug.controller, seed=seed)
    return Hunted.by(run, cases, bug=bug.name, needs=bug.needs)


def hunts(*, seed: int = SEED, cases: int = CASES) -> Iterator[Hunted]:
    """All planted bugs."""
    return (hunt(bug, seed=seed, cases=cases) for bug in BUGS.values())


@dataclass(frozen=True, slots=True)
class Soak:
    """A long run over sound nodes, seed after seed."""

    cases: int
    virtual_s: float
    real_s: float
    findings: tuple[str, ...]


def soak(hours: float, nodes: tuple[str, ...] = SOUND) -> Soak:
    """Fuzz sound reference nodes for so many virtual hours in all; every run has a seed of its own."""
    began, cases, virtual_s, seed = time.perf_counter(), 0, 0.0, 0
    findings: list[str] = []
    while virtual_s < 3600 * hours:
        seed += 1
        for node in nodes:
            run = campaign(node, seed=seed)
            run.run(lambda run=run: run.cases < SOAK_CASES)  # type: ignore[misc]
            cases, virtual_s = cases + run.cases, virtual_s + run.seconds
            findings += [
                f"{node}, seed {seed}: {found.finding} ({found.says})" for found in run.found.values()
            ]
    return Soak(cases, virtual_s, time.perf_counter() - began, tuple(findings))


# ------------------------------------------------------------------------------------------ the wire
@dataclass(frozen=True, slots=True)
class Rate:
    """Cases a second of the fuzzer and exchanges a second of a bare loop, over the same broker."""

    broker: str
    fuzzer: float
    bare: float

    @property
    def ratio(self) -> float:
        """The fuzzer's part of the bare loop."""
        return self.fuzzer / self.bare


def rate(choice: str = "auto", node: str = "siding", cases: int = WIRE_CASES) -> Rate:
    """Cases of one payload without a limit of rate, beside asks sent one by one, each when the last was answered."""
    with TemporaryDirectory() as name, start_broker(choice) as broker:
        path = Path(name) / "site.toml"
        path.write_text(scenario_text(), encoding="utf-8")
        with _bench(broker, path, node) as (fixture, bench):
            fixture.ask()
            began, options = time.perf_counter(), Options(seed=SEED, motion=True, rate=0, kinds=("payloads",))
            run = Campaign(fixture, link_of(bench, node), options)
            run.run(lambda: run.cases < cases)
            fuzzer = run.cases / (time.perf_counter() - began)
            if run.found:
                raise AssertionError(f"the reference node was found wrong: {next(iter(run.found))}")
        with _plain_node(broker, path, node):
            bare = _bare(broker, node, cases // 3)
        return Rate(broker.name, fuzzer, bare)


@contextmanager
def _bench(broker: Broker, path: Path, node: str) -> Iterator[tuple[Fixture, WireBench]]:
    with (
        Tap(broker.host, broker.port) as tap,
        spawned_node(tap, path, node) as restart,
        WireBench(tap, broker.address, restart) as bench,
    ):
        fixture = Fixture(bench, load_site(path), node, Random(SEED))
        if not bench.wait(lambda: bench.log.latest("node-status") is not None, 10_000):
            raise AssertionError("the reference node did not come up")
        yield fixture, bench


@contextmanager
def _plain_node(broker: Broker, path: Path, node: str) -> Iterator[None]:
    """The reference node on the broker itself, with nothing between."""
    command = [
        sys.executable,
        "-m",
        "conformance.commands.main",
        "node",
        node,
        "--site",
        str(path),
        "--bench",
    ]
    with subprocess.Popen([*command, "--broker", broker.url], stdout=subprocess.DEVNULL) as process:
        try:
            yield
        finally:
            process.kill()


def _bare(broker: Broker, node: str, exchanges: int) -> float:
    """Publish an ask, wait for its answer, publish the next: nothing is read, judged or kept."""
    client, answered = mqtt.Client(CallbackAPIVersion.VERSION2), Event()
    client.on_message = lambda *_: answered.set()
    client.connect(broker.host, broker.port)
    if isinstance(sock := client.socket(), socket.socket):
        sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    client.loop_start()
    client.subscribe(f"yw1/harlow-basin/{node}/job-report", 1)
    order = f"yw1/harlow-basin/{node}/job-order"

    def exchange(token: int, within_s: float) -> bool:
        answered.clear()
        client.publish(order, encode("job-order", {"act": "ask", "token": token}, Encoding.CBOR), 1)
        return answered.wait(within_s)

    try:
        if not any(exchange(token, 0.5) for token in range(1, 40)):
            raise AssertionError("the reference node did not come up")
        began = time.perf_counter()
        if not all(exchange(100 + number, 5) for number in range(exchanges)):
            raise AssertionError("an ask was not answered")
        return exchanges / (time.perf_counter() - began)
    finally:
        client.disconnect()
        client.loop_stop()


# ------------------------------------------------------------------------------------------ the tables
def rows(hours: float = 0.0) -> Iterator[Row]:
    """Every planted bug by the part of its budget that it took; the wire; with `hours` the sound nodes for so long."""
    for one in hunts():
        yield one.row(CASES)
    for one in fuzz_in_c.hunts():
        yield one.row(fuzz_in_c.CASES)
    wire = rate()
    figures = f"{wire.fuzzer:,.0f} cases/s / {wire.bare:,.0f} exchanges/s over {wire.broker}"
    yield Row("fuzzer / bare publish-and-answer loop", wire.ratio, WANTED, figures, at_least=True)
    if hours:
        long = soak(hours)
        figures = f"{long.cases:,} cases in {long.virtual_s / 3600:.1f} virtual h, {long.real_s:,.0f} s; "
        yield Row("findings on sound nodes", len(long.findings), 0, figures + "; ".join(long.findings))


if __name__ == "__main__":
    print(table(itertools.chain(hunts(), fuzz_in_c.hunts())))
