"""A planted bug behind a real broker and the tap: found, kept, and broken again by `yardwire replay`."""

from __future__ import annotations

import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from random import Random

import pytest

from conformance.bench.brokers.broker import Broker, start_broker
from conformance.bench.tap.tap import Tap
from conformance.bench.wire_bench import WireBench
from conformance.fuzz.generate.steps import disturbed, order
from conformance.fuzz.link import FAULTS, TapLink, link_of
from conformance.fuzz.run.campaign import Campaign, Options
from conformance.fuzz.run.corpus import Corpus, read_case
from conformance.fuzz.run.trial import Trial
from conformance.suite.fixture import Fixture
from protocol.recording import RecordedMessage, RecordingReader
from protocol.site_file import scenario
from protocol.wire.mqtt import MqttHost, monotonic_ms
from reference_node.controller.controller import Controller
from reference_node.machines.node_machines import Machines
from reference_node.machines.world import World
from tests.faulty_nodes.board import Board
from tests.faulty_nodes.bugs.catalogue import BUGS

PATIENCE_S = 60
SITE = scenario()


class Powered:
    """A board on MQTT whose power can be cycled; `crashed` is set when its firmware crashes."""

    def __init__(self, node: str, controller: type[Controller], host: str, port: int) -> None:
        self._node, self._controller, self._address = node, controller, (host, port)
        self._boot = 100
        self.crashed = threading.Event()
        self.start()

    def start(self) -> None:
        self._boot += 1
        self.board = Board(self._firmware, self._boot, monotonic_ms(), self.crashed.set)
        self._host = MqttHost(self.board, *self._address)
        self._host.start()

    def stop(self) -> None:
        self._host.stop(graceful=False)

    def cycle(self) -> None:
        self.stop()
        self.start()

    def _firmware(self, boot: int, now_ms: int, cause: str) -> Controller:
        machines = Machines(SITE.nodes[self._node], World(SITE, alone=True), Random(1), now_ms=now_ms)
        return self._controller(
            SITE, self._node, boot=boot, bench=True, machines=machines, rng=Random(boot), reset_cause=cause,
            started_ms=now_ms,
        )  # fmt: skip


@contextmanager
def powered(node: str, controller: type[Controller], host: str, port: int) -> Iterator[Powered]:
    board = Powered(node, controller, host, port)
    try:
        yield board
    finally:
        board.stop()


@contextmanager
def behind_tap(
    broker: Broker, node: str, controller: type[Controller] = Controller
) -> Iterator[tuple[WireBench, Fixture]]:
    with (
        Tap(broker.host, broker.port) as tap,
        powered(node, controller, tap.host, tap.port) as board,
        WireBench(tap, broker.address, board.cycle) as bench,
    ):
        yield bench, Fixture(bench, SITE, node, Random(1))


@pytest.fixture
def broker() -> Iterator[Broker]:
    with start_broker("embedded") as started:
        yield started


def test_what_is_found_on_the_wire_breaks_again_by_replay(broker: Broker, tmp_path: Path) -> None:
    bug = BUGS["TrustsThatThereIsAFirstByte"]
    with behind_tap(broker, bug.node, bug.controller) as (bench, fixture):
        options = Options(seed=1, rate=0, kinds=("payloads",))
        run = Campaign(fixture, link_of(bench, bug.node), options)
        run.run(lambda: run.cases < 600 and not run.found)
        assert run.found, f"{run.cases} cases"
        (found,) = run.found.values()
    assert found.repeats
    assert len(found.steps) == 1
    corpus = Corpus(tmp_path, SITE.name, bug.node, "test")
    path = corpus.keep(found, started="2026-01-01T00:00:00Z", seed=1)
    assert read_case(path).steps == found.steps
    with path.open("rb") as file:
        messages = [item for item in RecordingReader(file) if isinstance(item, RecordedMessage)]
    assert 1 <= len(messages) <= 6

    with powered(bug.node, bug.controller, broker.host, broker.port) as fresh:
        assert not fresh.crashed.is_set()
        replayed = subprocess.run(
            [sys.executable, "-m", "conformance.commands.main", "replay", str(path), "--broker", broker.url,
             "--boot", f"{bug.node}=now", "--yes"],
            capture_output=True, text=True, timeout=PATIENCE_S, check=False,
        )  # fmt: skip
        assert replayed.returncode == 0, replayed.stderr
        assert fresh.crashed.wait(PATIENCE_S)


@pytest.mark.parametrize("fault", FAULTS)
def test_a_sound_node_lives_through_every_fault_of_the_link(fault: str, broker: Broker) -> None:
    with behind_tap(broker, "siding") as (bench, fixture):
        link = link_of(bench, "siding")
        assert isinstance(link, TapLink)
        trial = Trial(fixture, link, motion=False, rate=0)
        trial.warm_up()
        trial.attempt(
            [order("claim"), *disturbed(fault, 300, order("hold", topic="all"), order("claim", id_="jump"))]
        )
        assert [str(finding) for finding in trial.judge.findings] == []
        # Sessions are clean: what is sent while the node is away never comes [LNK-01].
        assert trial.judge.states["train-arrival"]["held"] or fault in ("cut", "broker-restart")


def test_bytes_come_one_at_a_time(broker: Broker) -> None:
    """Half way through an order nothing has been handled; an order behind it does not get between its bytes."""
    with behind_tap(broker, "siding") as (bench, fixture):
        trial = Trial(fixture, link_of(bench, "siding"), motion=False, rate=0)
        trial.warm_up()
        began_ms = bench.now_ms
        trial.attempt(
            list(disturbed("throttle", 200, order("claim", id_="jump"), order("claim", id_="next")))
        )
        claims = [m for m in bench.log.messages if m.from_node and m.is_report("claim")]
        assert trial.judge.findings == []
        # A PUBLISH of more than 50 bytes, 2 ms a byte.
        assert claims[0].at_ms - began_ms > 100
