"""Whatever comes out of a port: `link` serves the others and ends at once, `conform` blames no board for its cable."""

from __future__ import annotations

import itertools
import os
import pty
import re
import signal
import subprocess
import sys
import threading
import time
import tty
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from random import Random

import pytest

from conformance.bench.brokers.broker import start_broker
from conformance.suite.line import LineLog
from protocol.site_file import load_site
from protocol.wire.serial.framing import ESCAPE, FLAG, encode_frame
from protocol.wire.serial.gateway_line import SOONEST_MS, Close, GatewayLine, Opening
from protocol.wire.serial.line_message import Connection, Here
from protocol.wire.serial.port import SerialPort
from reference_node.controller.controller import Controller
from reference_node.machines.world import World
from reference_node.node import node_on_a_line
from tests.needs import needs
from tests.serial.cable import Cable
from tests.serial.test_on_a_cable import RATE, SITE, Listener, board, on, running

YARDWIRE = (sys.executable, "-m", "conformance.commands.main")
PATIENCE = 30.0
ENDS_WITHIN_S = 2.0
MOST_MB = 120


def here(boot: int, name: str = "ferry") -> bytes:
    return encode_frame(Here(Connection(boot, 1), SITE.name, name).frame())


def junk() -> Iterator[bytes]:
    rng = Random(1)
    return iter(lambda: rng.randbytes(4096), b"")


STREAMS: dict[str, Callable[[], Iterator[bytes]]] = {
    "junk": junk,
    "no flag": lambda: itertools.chain([bytes((FLAG,))], itertools.repeat(b"\x55" * 4096)),
    "escapes": lambda: itertools.repeat(bytes((ESCAPE,)) * 4096),
    "another boot each time": lambda: (here(number % 65_536) for number in itertools.count()),
    "another name each time": lambda: (here(7, f"n{number % 99_999}") for number in itertools.count()),
    "it wants what it has": lambda: itertools.repeat(here(7) * 20),
}


class HostilePort:
    """A port out of which something comes without an end."""

    def __init__(self, stream: Iterator[bytes]) -> None:
        self._master, self._slave = pty.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        self.path = os.ttyname(self._slave)
        self.sent = 0
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, args=(stream,), daemon=True)

    def __enter__(self) -> HostilePort:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join()
        self.vanish()

    def vanish(self) -> None:
        for fd in (self._master, self._slave):
            with suppress(OSError):
                os.close(fd)

    def _run(self, stream: Iterator[bytes]) -> None:
        for data in stream:
            rest = data
            while rest:
                if self._stop.is_set():
                    return
                with suppress(BlockingIOError):
                    taken = os.write(self._master, rest)
                    rest, self.sent = rest[taken:], self.sent + taken
                with suppress(BlockingIOError):
                    os.read(self._master, 65_536)
                time.sleep(0.0005)


@contextmanager
def command(folder: Path, *words: str) -> Iterator[subprocess.Popen[bytes]]:
    """What it says is in the files out and err of the folder."""
    with (folder / "out").open("wb") as out, (folder / "err").open("wb") as err:
        process = subprocess.Popen(
            [*YARDWIRE, *words], stdin=subprocess.DEVNULL, stdout=out, stderr=err,
            env={**os.environ, "PYTHONUNBUFFERED": "1"},
        )  # fmt: skip
    try:
        yield process
    finally:
        if process.poll() is None:
            process.kill()
        process.wait()


def megabytes(process: subprocess.Popen[bytes]) -> int:
    found = re.search(r"VmRSS:\s+(\d+)", Path(f"/proc/{process.pid}/status").read_text())
    assert found is not None
    return int(found[1]) // 1024


def ends_at_once(process: subprocess.Popen[bytes]) -> None:
    began = time.monotonic()
    process.send_signal(signal.SIGINT)
    assert process.wait(PATIENCE) == 130
    assert time.monotonic() - began < ENDS_WITHIN_S


def answers(token: int) -> Callable[[dict[str, object]], bool]:
    return lambda body: body.get("token") == token


# ---- link
@needs("mosquitto")
@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="/proc is on Linux only")
@pytest.mark.parametrize(
    "stream", [pytest.param(name, marks=() if name == "junk" else pytest.mark.exhaustive) for name in STREAMS]
)
def test_a_hostile_port_of_a_gateway_disturbs_no_other(stream: str, site: Path, tmp_path: Path) -> None:
    with start_broker("mosquitto") as broker, Cable() as cable, running(board(cable, "siding")):
        listener = Listener(broker)
        with (
            HostilePort(STREAMS[stream]()) as port,
            command(
                tmp_path, "link", "--site", str(site), "--broker", broker.url, cable.host, port.path
            ) as link,
        ):
            listener.wait("siding", "node-status", on(7, 1))
            for token in range(5):
                listener.publish("siding", act="ask", token=token)
                listener.wait("siding", "job-report", answers(token))
            assert port.sent > 1000
            assert megabytes(link) < MOST_MB
            ends_at_once(link)
            assert [
                body["link"] for body in listener.bodies("siding", "node-status") if body["state"] == "on"
            ][-1] == 1
        listener.close()
    assert "Traceback" not in (tmp_path / "err").read_text()


# ---- conform
@pytest.mark.wire
@pytest.mark.slow
@pytest.mark.exhaustive
@pytest.mark.parametrize(
    ("stream", "told"), [("junk", "whole frames among them"), ("another name each time", "calls itself")]
)
def test_conform_says_what_came_out_of_a_port(stream: str, told: str, site: Path, tmp_path: Path) -> None:
    with (
        HostilePort(STREAMS[stream]()) as port,
        command(
            tmp_path, "conform", "ferry", "--no-motion", "--site", str(site), "--serial", port.path
        ) as judge,
    ):
        assert judge.wait(2 * PATIENCE) == 2
    said = " ".join((tmp_path / "err").read_text().split())
    assert f"{port.path}: ferry was not heard within 30 s" in said
    assert told in said
    assert "--bind" not in said


@needs("mosquitto")
def test_a_port_that_vanishes_in_a_move_is_no_fault_of_the_board_and_it_may_still_move(
    site: Path, tmp_path: Path
) -> None:
    """No hold gets through any more, and nobody knows whether one would have been obeyed."""
    with Cable() as cable:
        crane = node_on_a_line(
            load_site(site), "north", lambda: SerialPort(cable.board, RATE),
            boot=7, bench=False, world=World(load_site(site), alone=True), rng=Random(7), rate=RATE,
        )  # fmt: skip
        controller = crane._node.participant
        assert isinstance(controller, Controller)
        words = ("conform", "north", "--yes", "--only", "crane-homes", "--site", str(site))
        with running(crane), command(tmp_path, *words, "--serial", cable.host) as judge:
            end = time.monotonic() + 2 * PATIENCE
            while not controller.job_open:
                assert time.monotonic() < end
                time.sleep(0.05)
            cable.unplug()
            assert judge.wait(PATIENCE) == 2
    said = " ".join(((tmp_path / "out").read_text() + (tmp_path / "err").read_text()).split())
    assert "the serial port is not there" in said
    assert "north was told to hold, and has not said that it does: it may still move." in said
    assert "CAUTION: keep hands and tools out of the machine" in said
    assert "FAIL" not in said
    assert "verdict: inconclusive" in said


# ---- what is kept of a line
def test_of_a_stream_without_a_flag_no_more_is_kept_than_a_frame_may_have() -> None:
    log = LineLog()
    log.add(bytes((FLAG,)) + b"\x55" * 100_000, from_node=True, at_ms=0)
    log.add(bytes((FLAG,)), from_node=True, at_ms=1)
    assert (log.octets, log.damaged) == (100_002, 1)
    assert len(log.frames[0].raw) < 1000


def test_a_board_that_restarts_on_and_on_gets_no_connection_at_each() -> None:
    """One that has restarted need not wait."""
    line = GatewayLine(lambda _site, name: SITE.nodes[name])
    for number in range(2000):
        line.feed(here(number), number)
    opened = sum(isinstance(one, Opening) for one in line.actions)
    closed = sum(isinstance(one, Close) for one in line.actions)
    assert 2000 / SOONEST_MS - 1 <= opened <= 2000 / SOONEST_MS + 1
    assert opened - closed <= 1
    line = GatewayLine(lambda _site, name: SITE.nodes[name])
    line.feed(here(1), 1000)
    line.feed(here(2), 1000 + SOONEST_MS)
    assert [type(one) for one in line.actions] == [Opening, Close, Opening]
