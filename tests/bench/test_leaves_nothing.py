"""However a bench ends, no process, no directory, no open port and no thread of it stays."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from conformance.bench.brokers.broker import Broker, start_broker
from conformance.bench.brokers.mosquitto import Mosquitto, find_mosquitto
from conformance.bench.tap.tap import Tap
from protocol.trouble import Trouble
from tests.bench.conftest import BOTH
from tests.bench.wire import Wire, client, publish, subscriber
from tests.needs import needs


def process_runs(number: int) -> bool:
    try:
        os.kill(number, 0)
    except ProcessLookupError:
        return False
    return True


@pytest.mark.parametrize("choice", BOTH)
@pytest.mark.parametrize(("then", "code"), [("wait", None), ("raise", 1), ("exit", 3)])
def test_after_ctrl_c_an_error_or_an_exit(choice: str, then: str, code: int | None, tmp_path: Path) -> None:
    program = Path(__file__).with_name("bench_program.py")
    process = subprocess.Popen(
        [sys.executable, str(program), choice, then],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "TMPDIR": str(tmp_path)},
        start_new_session=True,
    )
    with process:
        assert process.stdout is not None
        assert process.stdin is not None
        port, tap_port, child = map(int, process.stdout.readline().split())
        connected = client(tap_port, "north")
        if choice == "mosquitto":
            assert process_runs(child)
            assert list(tmp_path.iterdir())
        if then == "wait":
            # To the whole group, as a terminal does it.
            os.killpg(process.pid, signal.SIGINT)
        else:
            process.stdin.write("\n")
            process.stdin.flush()
        assert process.wait(10) == (-signal.SIGINT if code is None else code)
        with connected:
            assert connected.closed_within(5)
    if choice == "mosquitto":
        assert not process_runs(child)
    assert list(tmp_path.iterdir()) == []
    for closed_port in (port, tap_port):
        with pytest.raises(ConnectionRefusedError):
            Wire(closed_port)


def test_no_thread_stays(broker: Broker) -> None:
    before = set(threading.enumerate())
    with Tap(broker.host, broker.port) as tap, client(tap.port, "north"), start_broker("embedded") as second:
        client(second.port, "south").sock.close()
    assert set(threading.enumerate()) == before


def test_a_tap_is_left_with_a_stalled_node(broker: Broker) -> None:
    """A node that reads nothing holds neither the tap nor its broker."""
    with Tap(broker.host, broker.port) as tap:
        stalled = subscriber(tap.port, "north", "x", 0, receive_buffer=4096)
        with stalled, client(broker.port, "yard") as sender:
            for _ in range(100):
                sender.send(publish("x", bytes(60_000)))
            sender.fence()


@needs("mosquitto")
def test_a_mosquitto_that_does_not_start_leaves_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("TMPDIR", str(tmp_path))
    monkeypatch.setattr("tempfile.tempdir", None)

    class Wrong(Mosquitto):
        def _configuration(self) -> list[str]:
            return [*super()._configuration(), "no_such_setting true"]

    program = find_mosquitto()
    assert program is not None
    with (
        pytest.raises(Trouble, match=r"mosquitto did not start: .*no_such_setting") as trouble,
        Wrong(program),
    ):
        pass
    assert trouble.value.fix
    assert list(tmp_path.iterdir()) == []
