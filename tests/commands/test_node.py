"""`yardwire node` as a user runs it: on real brokers, with wrong arguments, and stopped by Ctrl-C."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from conformance.bench.brokers.broker import Broker, start_broker
from protocol.site_file import scenario_text
from protocol.validation import read_message
from tests.commands.yardwire import YARDWIRE
from tests.needs import needs

PATIENCE_S = 20
STARTS_S = 1.5
"""More processor time than a node needs to start."""
STATUS = "yw1/harlow-basin/{}/node-status"


@pytest.fixture
def site(tmp_path: Path) -> Path:
    path = tmp_path / "site.toml"
    path.write_text(scenario_text())
    return path


@contextmanager
def node(*arguments: str) -> Iterator[subprocess.Popen[str]]:
    with subprocess.Popen(
        [sys.executable, "-c", YARDWIRE, "node", *arguments],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    ) as process:
        try:
            yield process
        finally:
            if process.poll() is None:
                process.kill()


def ended(*arguments: str) -> tuple[int, str]:
    with node(*arguments) as process:
        _, said = process.communicate(timeout=PATIENCE_S)
        return process.returncode, said


class Subscriber:
    """Keeps every node-status of one node."""

    def __init__(self, broker: Broker, name: str) -> None:
        self.heard: list[dict[str, object]] = []
        self._changed = threading.Condition()
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2)
        self._client.on_message = self._hear
        self._client.connect(broker.host, broker.port)
        self._client.subscribe(STATUS.format(name))
        self._client.loop_start()

    def _hear(self, _client: mqtt.Client, _data: object, message: mqtt.MQTTMessage) -> None:
        body = read_message("node-status", bytes(message.payload), closed=True).body
        with self._changed:
            self.heard.append(body or {})
            self._changed.notify_all()

    def wait_for(self, state: str) -> dict[str, object]:
        def found() -> list[dict[str, object]]:
            return [body for body in self.heard if body.get("state") == state]

        with self._changed:
            assert self._changed.wait_for(lambda: found(), PATIENCE_S), self.heard
            return found()[-1]

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


@pytest.mark.parametrize("choice", ["embedded", pytest.param("mosquitto", marks=needs("mosquitto"))])
@pytest.mark.parametrize("name", ["north", "siding", "ferry"])
def test_it_says_on_and_after_ctrl_c_off(choice: str, name: str, site: Path) -> None:
    with (
        start_broker(choice) as broker,
        node(name, "--site", str(site), "--broker", broker.url, "--bench") as process,
    ):
        subscriber = Subscriber(broker, name)
        try:
            on = subscriber.wait_for("on")
            assert on["bench"] is True
            assert process.stdout is not None
            assert process.stdout.readline().startswith(f"{name}: ")
            os.kill(process.pid, signal.SIGINT)
            _, said = process.communicate(timeout=PATIENCE_S)
            assert (process.returncode, said) == (130, "stopped by Ctrl-C\n")
            assert subscriber.wait_for("off") == {"boot": on["boot"], "link": 1, "state": "off"}
        finally:
            subscriber.close()


def test_the_boot_counts_up_from_start_to_start(site: Path, tmp_path: Path) -> None:
    """MSG-05, and MSG-06 for the first start, which finds no counter."""
    boots, state = [], tmp_path / "state"
    with start_broker("embedded") as broker:
        for _ in range(3):
            with node(
                "ferry", "--site", str(site), "--broker", broker.url, "--state-dir", str(state)
            ) as process:
                subscriber = Subscriber(broker, "ferry")
                boots.append(subscriber.wait_for("on")["boot"])
                subscriber.close()
                os.kill(process.pid, signal.SIGINT)
                process.communicate(timeout=PATIENCE_S)
    first = int(str(boots[0]))
    assert boots == [first, (first + 1) % 65536, (first + 2) % 65536]


def free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as server:
        return int(server.getsockname()[1])


def test_no_broker(site: Path) -> None:
    code, said = ended("north", "--site", str(site), "--broker", f"mqtt://127.0.0.1:{free_port()}")
    assert code == 2
    assert said.startswith("Error: ")
    assert "Traceback" not in said


@needs("mosquitto")
def test_refused_credentials(site: Path) -> None:
    with start_broker("mosquitto", users={"north": "right"}) as broker:
        url = f"mqtt://north:wrong@{broker.host}:{broker.port}"
        code, said = ended("north", "--site", str(site), "--broker", url, "--yes")
    assert code == 2
    assert "wrong" not in said, "a password is never shown"
    assert "user" in said.lower()


@pytest.mark.parametrize(
    ("arguments", "expected"),
    [
        (("nobody",), "north, south, siding, ferry"),
        (("yard",), "real machines move, and there is no terminal to ask on"),
        (("yard", "--bench"), "is a supervisor"),
        (("yard", "--yes", "--brief", "none.json"), "the brief cannot be read"),
        (("north", "--brief", "none.json"), "is not a supervisor"),
        (("north", "--broker", "http://here"), "not a broker URL"),
    ],
)
def test_wrong_arguments(arguments: tuple[str, ...], expected: str, site: Path) -> None:
    code, said = ended(*arguments, "--site", str(site))
    assert code == 2
    assert expected in said


def test_a_site_file_with_mistakes(site: Path) -> None:
    site.write_text(scenario_text().replace("columns = 3", "columns = 0"))
    code, said = ended("north", "--site", str(site))
    assert code == 2
    assert "places.siding.columns" in said


def test_a_boot_counter_that_cannot_be_kept(site: Path, tmp_path: Path) -> None:
    blocked = tmp_path / "file"
    blocked.write_text("")
    code, said = ended("north", "--site", str(site), "--state-dir", str(blocked / "state"))
    assert code == 2
    assert "boot counter" in said


def test_a_node_whose_broker_has_gone_waits_and_does_not_spin(site: Path) -> None:
    before = os.times()
    with ExitStack() as broker_life:
        broker = broker_life.enter_context(start_broker("embedded"))
        with node("ferry", "--site", str(site), "--broker", broker.url) as process:
            assert process.stdout is not None
            assert process.stdout.readline().startswith("ferry: ")
            broker_life.close()
            with socket.create_server((broker.host, broker.port)) as gone:
                gone.settimeout(PATIENCE_S)
                began = time.monotonic()
                for _ in range(4):  # Each attempt comes later after the one before [LNK-10].
                    gone.accept()[0].close()
                waited_s = time.monotonic() - began
    after = os.times()
    used_s = after.children_user + after.children_system - before.children_user - before.children_system
    assert waited_s > 3
    assert used_s < STARTS_S + 0.2 * waited_s
