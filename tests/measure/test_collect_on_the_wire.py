"""`yardwire measure collect` as a process on a real broker; what was published is heard by another client."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from random import Random
from time import monotonic, sleep

import pytest

from conformance.bench.connection.login import without_login
from conformance.measure.pairs import Approach, read_pairs
from protocol.codec import encode
from protocol.participant import Participant, Publication
from protocol.site import Encoding
from protocol.site_file import scenario, scenario_text
from protocol.wire.mqtt import MqttHost, monotonic_ms
from reference_node.scenario.simulated_yard import SimulatedYard
from tests.commands.yardwire import YARDWIRE
from tests.measure.measured_yard import supervisor_status
from tests.needs import needs
from tests.supervisor.bus import MortalBroker, Subscriber, mortal_broker, subscriber_at, until

pytestmark = needs("mosquitto")
MOVING = {"home", "jog", "admit", "depart", "reset-fault"}
PATIENCE_S = 120


class Speaker:
    """A client that has something to say and stays."""

    keep_alive_s = 10
    client_id = "another"

    def __init__(self, *said: Publication) -> None:
        self._said = said

    def will(self) -> None:
        """It leaves without a word."""

    def subscriptions(self) -> tuple[()]:
        return ()

    def connected(self, now_ms: int) -> tuple[Publication, ...]:
        return self._said

    def disconnected(self, now_ms: int) -> None:
        pass

    def receive(self, delivery: object, now_ms: int) -> tuple[()]:
        return ()

    def tick(self, now_ms: int) -> tuple[()]:
        return ()

    def next_tick(self, now_ms: int) -> None:
        return None


@contextmanager
def collecting(folder: Path, broker: MortalBroker, *more: str) -> Iterator[subprocess.Popen[str]]:
    (folder / "site.toml").write_text(scenario_text(), encoding="utf-8")
    with subprocess.Popen(
        [sys.executable, "-c", YARDWIRE, "measure", "collect", "pairs.csv", "--broker", broker.url, *more],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=folder,
        env={**without_login(os.environ), "PYTHONUNBUFFERED": "1"}, start_new_session=True,
    ) as process:  # fmt: skip
        try:
            yield process
        finally:
            if process.poll() is None:
                process.kill()


@pytest.fixture(scope="module")
def broker() -> Iterator[MortalBroker]:
    with mortal_broker() as found:
        yield found


@pytest.fixture
def ear(broker: MortalBroker) -> Iterator[Subscriber]:
    with subscriber_at(broker.port) as found:
        yield found


def test_without_a_yes_nothing_is_said_to_anybody(
    tmp_path: Path, broker: MortalBroker, ear: Subscriber
) -> None:
    with collecting(tmp_path, broker) as process:
        out, err = process.communicate("", timeout=PATIENCE_S)
    assert process.returncode == 2
    assert "there is no terminal to ask on" in " ".join(err.split())
    assert "CAUTION" in err
    assert out == ""
    assert ear.heard() == []


def test_beside_another_supervisor_it_does_not_begin(
    tmp_path: Path, broker: MortalBroker, ear: Subscriber
) -> None:
    """It says 'on', retained, and is in no haste to say more; nobody throws it off for a look."""
    payload = encode("node-status", supervisor_status(scenario(), "yard", 4), Encoding.JSON)
    topic = "yw1/harlow-basin/yard/node-status"
    other: Participant = Speaker(Publication(topic, payload, 1, retain=True))
    with MqttHost(other, broker.host, broker.port) as host:
        with collecting(tmp_path, broker, "--yes") as process:
            _, err = process.communicate("", timeout=PATIENCE_S)
        host.call(lambda _participant, _now_ms: [Publication(topic, b"", 1, retain=True)])
        sleep(0.2)
    assert process.returncode == 2
    assert "another supervisor is there, or may be: yard" in " ".join(err.split())
    assert ear.heard() == []


@pytest.mark.slow
def test_pairs_are_kept_and_ctrl_c_holds(tmp_path: Path, broker: MortalBroker, ear: Subscriber) -> None:
    """One pair, a jog, and Ctrl-C in the middle of it: everything that reaches there is told to hold."""
    yard = SimulatedYard(scenario(), {}, (), Random(3), monotonic_ms())
    heard: list[tuple[str, str]] = []
    with ExitStack() as stack:
        for name in yard.machines:
            host = MqttHost(yard.controller(name, monotonic_ms()), broker.host, broker.port)
            stack.callback(host.stop)
            host.start()
        process = stack.enter_context(collecting(tmp_path, broker, "--yes", "--train", "shunter"))
        assert process.stdin is not None
        process.stdin.write("yes\nadmit\nx 20\nit 0.3\nx 45\n")
        process.stdin.flush()

        def jogged_twice() -> bool:
            heard.extend(ear.heard())
            return heard.count(("south", "jog")) >= 2

        until(jogged_twice, PATIENCE_S)
        process.send_signal(signal.SIGINT)
        out, err = process.communicate(timeout=PATIENCE_S)
        end = monotonic() + 5
        while monotonic() < end and not {("south", "hold"), ("siding", "hold")} <= set(heard[-6:]):
            heard.extend(ear.heard())
            sleep(0.05)
    assert process.returncode == 130, out + err
    after = heard[max(index for index, one in enumerate(heard) if one == ("south", "jog")) :]
    assert {node for node, act in after if act == "hold"} == {"south", "siding", "ferry"}
    assert "A message is never an emergency stop" in " ".join(err.split())
    (pair,) = read_pairs((tmp_path / "pairs.csv").read_text(), "pairs.csv")
    assert pair.position % 1 == pytest.approx(0.3)
    assert (pair.approach, pair.train) == (Approach.UP, "shunter")
