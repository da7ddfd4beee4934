"""An error on any thread of a command that connects ends it with 2, in words, and nothing is published after it."""

from __future__ import annotations

import os
import subprocess
import sys
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from time import monotonic, sleep

import pytest

from conformance.bench.brokers.broker import Broker, start_broker
from protocol.site_file import scenario_text
from tests.commands.yardwire import YARDWIRE
from tests.recordings.gate import witness
from tests.recordings.recorder import ROOT, publisher

PATIENCE_S = 40
PLANT = """
import importlib, sys, time
def plant(module, owner, name, after):
    target = getattr(importlib.import_module(module), owner)
    before, first = getattr(target, name), []
    def broken(*arguments, **options):
        first.append(time.monotonic())
        if first[-1] - first[0] >= after:
            print('planted at', time.monotonic(), file=sys.stderr, flush=True)
            raise ZeroDivisionError('planted')
        return before(*arguments, **options)
    setattr(target, name, broken)
plant({place}, {after})
"""
SUPERVISE = ("supervise", "--yard", "simulated", "--broker", "BROKER", "--yes", "--site", "SITE")
CONFORM = ("conform", "north", "--site", "SITE", "--spawn", "--no-motion", "--yes", "--broker", "BROKER")
CASES = [
    (("node", "north", "--site", "SITE", "--broker", "BROKER"),
     "reference_node.controller.controller:Controller.tick", 1.0),
    (("node", "north", "--site", "SITE", "--broker", "BROKER"), "protocol.wire.mqtt:MqttHost._wait", 1.0),
    (("node", "north", "--site", "SITE", "--broker", "BROKER"), "protocol.wire.dial:Dialler._run", 0.0),
    (SUPERVISE, "reference_node.controller.controller:Controller.tick", 2.0),
    (SUPERVISE, "reference_node.supervisor.supervisor:Supervisor.receive", 2.0),
    (("watch", "--site", "SITE", "--broker", "BROKER"), "conformance.page.server.live_model:LivePage.take", 0.5),
    (("validate", "--broker", "BROKER", "--site", "harlow-basin", "--seconds", "50"),
     "conformance.recordings.validate.live:Listener.receive", 0.0),
    (("record", "OUT", "--site", "harlow-basin", "--broker", "BROKER"),
     "conformance.recordings.record.writer:RecordingFiles.message", 0.5),
    (CONFORM, "conformance.bench.tap.traffic_log:TrafficLog.record", 1.0),
    (CONFORM, "conformance.bench.tap.relay:Relay._arrived", 1.0),
    (CONFORM, "conformance.bench.tap.tap:Tap._serve", 0.0),
    (CONFORM, "conformance.bench.tap.node_socket:NodeSocket._send", 0.0),
    (("conform", "yard", "--site", "SITE", "--spawn", "--broker", "BROKER", "--yes"),
     "conformance.peers.node:SimulatedNode.tick", 1.0),
    (("fuzz", "north", "--site", "SITE", "--spawn", "--no-motion", "--yes", "--corpus", "OUT", "--broker", "BROKER"),
     "conformance.bench.tap.relay:Relay._judged", 1.0),
    (("demo", "--out", "OUT"), "reference_node.controller.controller:Controller.tick", 2.0),
]  # fmt: skip


@pytest.fixture
def broker() -> Iterator[Broker]:
    with start_broker() as running:
        yield running


@contextmanager
def broken(
    words: tuple[str, ...], place: str, after: float, broker: Broker, folder: Path
) -> Iterator[subprocess.Popen[str]]:
    """A command in which one function begins to fail `after` seconds from when it was first called."""
    (folder / "site.toml").write_text(scenario_text())
    stand_for = {"BROKER": broker.url, "SITE": str(folder / "site.toml"), "OUT": str(folder / "out")}
    module, _, path = place.partition(":")
    owner, _, name = path.partition(".")
    program = PLANT.format(place=f"{module!r}, {owner!r}, {name!r}", after=after) + YARDWIRE
    with subprocess.Popen(
        [sys.executable, "-c", program, *(stand_for.get(word, word) for word in words)],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=folder,
        env={**os.environ, "PYTHONUNBUFFERED": "1"},
    ) as process:  # fmt: skip
        try:
            yield process
        finally:
            process.kill()


@pytest.mark.parametrize(
    ("words", "place", "after"), CASES, ids=[f"{words[0]}-{place}" for words, place, _ in CASES]
)
def test_it_ends_with_2_and_is_silent(
    words: tuple[str, ...], place: str, after: float, broker: Broker, tmp_path: Path
) -> None:
    with (
        witness(broker) as seen,
        publisher(broker) as client,
        broken(words, place, after, broker, tmp_path) as process,
    ):
        end = monotonic() + PATIENCE_S
        while (
            process.poll() is None and monotonic() < end
        ):  # Something has to be heard, where that is all it does.
            client.publish(f"{ROOT}/x/tick", b"x", 1)
            sleep(0.2)
        process.kill()
        assert process.stderr is not None
        told = process.stderr.read()
        sleep(0.5)
    assert process.returncode == 2, told
    assert "ZeroDivisionError: planted" in told
    assert "Traceback" not in told
    at = float(told.partition("planted at ")[2].split()[0])
    after_it = [
        (topic, said) for when, topic, said in seen.heard if when > at + 0.3 and not topic.endswith("/tick")
    ]
    # The broker says the wills of those whose connection has ended.
    assert [
        topic for topic, said in after_it if not (topic.endswith("/node-status") and len(said) < 40)
    ] == []


def test_a_page_that_cannot_be_drawn_any_more(broker: Broker, tmp_path: Path) -> None:
    words = ("watch", "--site", "SITE", "--broker", "BROKER")
    with broken(words, "conformance.page.server.live_model:LivePage.model", 0.3, broker, tmp_path) as process:
        assert process.stdout is not None
        url = process.stdout.readline().split(" live: ")[1].strip()
        with urllib.request.urlopen(f"{url}stream", timeout=PATIENCE_S) as stream:
            stream.readline()
            assert process.wait(PATIENCE_S) == 2
        assert process.stderr is not None
        assert "ZeroDivisionError: planted" in process.stderr.read()
