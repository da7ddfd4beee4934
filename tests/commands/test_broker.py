from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from urllib.parse import urlsplit

import pytest

from conformance.bench.brokers.mosquitto import find_mosquitto
from conformance.commands import main
from tests.commands.yardwire import YARDWIRE

ROOT = Path(__file__).parents[2]
PATIENCE = 20  # seconds until a process that hangs is a failure

# A test run in the background of a shell has SIGINT ignored, and children inherit that.

MOSQUITTO = pytest.param(
    "mosquitto",
    marks=pytest.mark.skipif(
        find_mosquitto() is None, reason="mosquitto is not installed (Debian: apt install mosquitto)"
    ),
)


@contextmanager
def running_broker(
    choice: str, scratch: Path
) -> Iterator[tuple[subprocess.Popen[str], str, tuple[str, int]]]:
    """Give the process, the line that it printed once it listened, and the address in that line."""
    with subprocess.Popen(
        [sys.executable, "-c", YARDWIRE, "broker", "--port", "0", "--choice", choice],
        cwd=ROOT,
        env=os.environ | {"TMPDIR": str(scratch)},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    ) as process:
        try:
            assert process.stdout is not None
            line = process.stdout.readline()
            url = urlsplit(line.partition(" listens at ")[2].partition(";")[0])
            yield process, line, (str(url.hostname), int(url.port or 0))
        finally:
            if process.poll() is None:
                os.killpg(process.pid, signal.SIGKILL)


def answers(address: tuple[str, int]) -> bool:
    """True when an MQTT broker accepts a connection there."""
    # CONNECT, MQTT 3.1.1 section 3.1: protocol name, level 4, clean session, keep-alive 10 s, client id "t".
    connect = bytes([0x10, 13, 0, 4, *b"MQTT", 4, 2, 0, 10, 0, 1, *b"t"])
    try:
        with socket.create_connection(address, timeout=PATIENCE) as connection:
            connection.sendall(connect)
            return connection.recv(4) == bytes([0x20, 2, 0, 0])  # CONNACK, accepted: section 3.2
    except ConnectionRefusedError:
        return False


def group_is_empty(group: int) -> bool:
    try:
        os.killpg(group, 0)
    except ProcessLookupError:
        return True
    return False


@pytest.mark.parametrize("choice", [MOSQUITTO, "embedded"])
@pytest.mark.parametrize(
    ("number", "code", "told"), [(signal.SIGINT, 130, "stopped by Ctrl-C\n"), (signal.SIGTERM, 143, "")]
)
def test_it_serves_until_it_is_stopped_and_leaves_nothing(
    choice: str, number: signal.Signals, code: int, told: str, tmp_path: Path
) -> None:
    with running_broker(choice, tmp_path) as (process, line, address):
        assert choice in line
        assert address[0] == "127.0.0.1"
        assert answers(address)
        os.killpg(process.pid, number)  # A terminal sends Ctrl-C to the broker's own children as well.
        assert process.communicate(timeout=PATIENCE)[1] == told
    assert process.returncode == code
    assert not answers(address)
    assert group_is_empty(process.pid)
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("choice", [MOSQUITTO, "embedded"])
def test_it_stops_its_broker_when_it_alone_is_told_to_stop(choice: str, tmp_path: Path) -> None:
    with running_broker(choice, tmp_path) as (process, _, address):
        assert answers(address)
        process.send_signal(signal.SIGINT)
        assert process.wait(PATIENCE) == 130
    assert not answers(address)
    assert group_is_empty(process.pid)
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("choice", [MOSQUITTO, "embedded"])
def test_a_port_in_use_is_told(choice: str, capfd: pytest.CaptureFixture[str]) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        assert main.run(["broker", "--port", str(port), "--choice", choice]) == 2
    told = capfd.readouterr()
    assert told.err.startswith("Error: ")
    assert str(port) in told.err
    assert "fault of the kit" not in told.err
    assert told.err.count("\n") == 1
    assert told.out == ""


@pytest.mark.parametrize("bind", ["0.0.0.0", "::", "192.0.2.1"])  # RFC 5737: nobody has the last one
def test_it_opens_to_the_network_only_when_that_is_said(
    bind: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main.run(["broker", "--port", "0", "--bind", bind]) == 2
    told = capsys.readouterr().err
    assert told.startswith("Error: ")
    assert "--open-to-network" in told
