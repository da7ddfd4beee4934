"""A simulated node takes no real one's place without a yes: seen by another client of the broker."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from conformance.bench.brokers.broker import Broker, start_broker
from protocol.site_file import scenario_text
from tests.commands.yardwire import YARDWIRE
from tests.recordings.gate import BOOT, READER, Witness, at_a_terminal, node, retained, witness
from tests.recordings.recorder import ROOT, WITHIN_S

STATUS = f"{ROOT}/north/node-status"


@pytest.fixture(scope="module", params=["mosquitto", "embedded"])
def broker(request: pytest.FixtureRequest) -> Iterator[Broker]:
    with start_broker("auto" if request.param == "mosquitto" else "embedded") as running:
        yield running


@pytest.fixture
def words(tmp_path: Path, broker: Broker) -> list[str]:
    site = tmp_path / "site.toml"
    site.write_text(scenario_text())
    return [sys.executable, "-c", YARDWIRE, "node", "north", "--site", str(site), "--broker", broker.url]


def boots(seen: Witness) -> set[int]:
    bodies = [READER.decode(topic, said) or {} for _, topic, said in seen.heard if topic == STATUS]
    return {int(body["boot"]) for body in bodies}


@contextmanager
def running(words: list[str]) -> Iterator[str]:
    """What it says first."""
    with subprocess.Popen(words, stdout=subprocess.PIPE, stdin=subprocess.DEVNULL, text=True) as process:
        try:
            assert process.stdout is not None
            yield process.stdout.readline()
        finally:
            process.terminate()
            process.wait(WITHIN_S)


def test_one_that_is_on_is_not_thrown_off(broker: Broker, words: list[str]) -> None:
    with node(broker, bench=False) as real, witness(broker) as seen:
        ended = subprocess.run(
            words, stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=WITHIN_S
        )
        assert ended.returncode == 2
        assert "north is on at" in " ".join(ended.stderr.split())
        assert "there is no terminal to ask on" in " ".join(ended.stderr.split())
        assert "CAUTION" in ended.stderr
        code, said = at_a_terminal(words, "n")
        assert code == 2, said
        assert real.is_up
        assert boots(seen) <= {BOOT}


def test_with_a_yes_it_is(broker: Broker, words: list[str]) -> None:
    with node(broker, bench=False), witness(broker) as seen, running([*words, "--yes"]) as said:
        assert "north: crane, in service" in said
        seen.wait_until(lambda: bool(boots(seen) - {BOOT}))


def test_one_that_is_off_or_another_is_in_nobody_s_way(broker: Broker, words: list[str]) -> None:
    with node(broker, bench=False):
        pass
    with node(broker, "south", bench=False), running(words) as said:
        assert "north: crane, in service" in said


def test_what_cannot_be_read_may_be_one_that_is_on(broker: Broker, words: list[str]) -> None:
    retained(broker, "north/node-status", b"1")
    try:
        ended = subprocess.run(
            words, stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=WITHIN_S
        )
    finally:
        retained(broker, "north/node-status", b"")
    assert ended.returncode == 2
