"""The conformance kit on the wire: how long a run takes beside its unavoidable waits, and what the tap costs."""

from __future__ import annotations

import socket
import time
from collections.abc import Iterator
from pathlib import Path
from random import Random
from tempfile import TemporaryDirectory

from benchmarks.row import Row
from conformance.bench.brokers.broker import start_broker
from conformance.bench.brokers.probe import connect_packet
from conformance.bench.mqtt.framing import packet
from conformance.bench.processes.spawned_node import spawned_node
from conformance.bench.tap.tap import Tap
from conformance.bench.wire_bench import WireBench
from conformance.suite.fixture import Fixture
from conformance.suite.verdict import Verdict
from conformance.tester.result import Result
from conformance.tester.runner import Run
from protocol.site_file import load_site, scenario_text
from tests.faulty_nodes.faulty import run_of

NODE = "north"
ROUNDS = 2_000
MOST_OF_JUDGE = 1.5
"""Most that the suite may take with the judge, as a multiple of what it takes without."""
MOST_MS = 1.0
"""Most that the tap may add to a packet."""


def rows() -> Iterator[Row]:
    """All rows."""
    waits = _on_virtual_time()
    took = _on_the_wire()
    yield Row(
        f"suite for crane {NODE} on the wire / its waits and motions alone", took / waits, None,
        f"{took:.0f} s / {waits:.0f} s",
    )  # fmt: skip
    with_judge, without = _cpu_s(Run), _cpu_s(_Unjudged)
    figures = f"{with_judge:.2f} s / {without:.2f} s of a processor"
    what = f"suite for crane {NODE} on virtual time with the judge of all messages / without it"
    yield Row(what, with_judge / without, MOST_OF_JUDGE, figures)
    direct, tapped = _round_trips()
    added_ms = 1000 * (tapped - direct) / 2
    figures = f"{1000 * tapped:.2f} ms / {1000 * direct:.2f} ms a round trip of two packets"
    yield Row("ms that the tap adds to a packet", added_ms, MOST_MS, figures)


def _on_virtual_time() -> float:
    """Seconds that pass in a run where answers and processors cost nothing: what is left is waiting and motion."""
    run = run_of(NODE, latency_ms=(0, 0))
    run.perform()
    _demand_pass(run)
    return run.fixture.bench.now_ms / 1000


class _Unjudged(Run):
    """A run that nothing but its cases judges."""

    def _with_judge(self, result: Result, since: int) -> Result:
        return result


def _cpu_s(kind: type[Run]) -> float:
    """Seconds of a processor that a run of the suite takes on virtual time, the best of three."""
    took = []
    for _ in range(3):
        made = run_of(NODE)
        run = kind(made.fixture, made.selection)
        began = time.process_time()
        run.perform()
        took.append(time.process_time() - began)
        _demand_pass(run)
    return min(took)


def _on_the_wire() -> float:
    with TemporaryDirectory() as folder:
        site_path = Path(folder) / "site.toml"
        site_path.write_text(scenario_text())
        with (
            start_broker("mosquitto") as broker,
            Tap(broker.host, broker.port) as tap,
            spawned_node(tap, site_path, NODE) as restart,
            WireBench(tap, broker.address, restart) as bench,
        ):
            run = Run(Fixture(bench, load_site(site_path), NODE, Random(1)))
            began = time.perf_counter()
            run.perform()
            took = time.perf_counter() - began
    _demand_pass(run)
    return took


def _demand_pass(run: Run) -> None:
    if run.verdict is not Verdict.PASS:
        wrong = [id_ for id_, result in run.results.items() if result.verdict > Verdict.PASS]
        raise AssertionError(f"the reference crane does not pass: {wrong}")


def _round_trips() -> tuple[float, float]:
    """Seconds from a PINGREQ to its PINGRESP, to the broker itself and through the tap."""
    with start_broker("mosquitto") as broker, Tap(broker.host, broker.port) as tap:
        return _round_trip(broker.host, broker.port), _round_trip(tap.host, tap.port)


def _round_trip(host: str, port: int) -> float:
    with socket.create_connection((host, port)) as sock:
        sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        sock.sendall(connect_packet("pinger", level=4, user=None, password=None))
        sock.recv(4)
        began = time.perf_counter()
        for _ in range(ROUNDS):
            sock.sendall(packet(0xC0, b""))
            sock.recv(2)
        return (time.perf_counter() - began) / ROUNDS
