"""A node on this machine that is kept waiting for a processor: a stall, from when it began to wait until it went on."""

from __future__ import annotations

import asyncio
import socket
import subprocess
import sys
from collections import deque
from typing import Any, cast

import pytest

from conformance.bench import node_wait
from conformance.bench.node_wait import NodeWait
from conformance.bench.processes.peer_process import PeerProcess, peer_process
from conformance.bench.tap.tap import Tap
from conformance.suite.stalls import Stalls

HERE, THERE = ("127.0.0.1", 1883), ("127.0.0.1", 40_000)


class OneConnection:
    """Of a tap only what is looked at: the ends of the node's newest connection."""

    line = None

    def ends_of_newest(self) -> tuple[int, tuple[str, int], tuple[str, int]]:
        return 1, HERE, THERE


class Told:
    """A process of which the kernel tells these waits, one a look."""

    process_id = 7

    def __init__(self, *waits: float) -> None:
        self.waits = deque(waits)

    def waited_ms(self) -> float:
        return self.waits.popleft() if self.waits else 0.0


class Bench:
    """A clock that a test sets, and the looks of one process."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, process: Told | None) -> None:
        self.now_ms = 0.0
        self.stalls = Stalls()

        def found(_peer: Any, _here: Any, _port: str) -> PeerProcess | None:
            return cast("PeerProcess | None", process)

        monkeypatch.setattr(node_wait, "peer_process", found)
        self.wait = NodeWait(cast("Tap", OneConnection()), self.stalls, lambda: self.now_ms)
        pending = self.wait.pending
        self.stalls.pending = lambda: tuple(one for one in (pending(),) if one is not None)
        asyncio.run(self.wait._look())

    def look(self, at_ms: float) -> None:
        self.now_ms = at_ms
        asyncio.run(self.wait._look())


def test_one_that_waited_is_a_stall_from_when_it_began_to_wait(monkeypatch: pytest.MonkeyPatch) -> None:
    bench = Bench(monkeypatch, Told(0.5, 300.0, 0.0))
    for at_ms in (20, 400, 420):
        bench.look(at_ms)
    assert bench.stalls.document()["node"] == 1
    assert bench.stalls.within(0, 1000) == pytest.approx(300), (
        "what it waited, and not all the time between two looks"
    )
    assert bench.stalls.within(410, 1000) == 0


def test_what_it_waited_is_known_at_once_when_its_message_is_there(monkeypatch: pytest.MonkeyPatch) -> None:
    """The wait is in the kernel's count before the node can say anything, and before the next look."""
    bench = Bench(monkeypatch, Told(0.0, 250.0))
    bench.look(20)
    bench.now_ms = 275
    assert bench.stalls.within(0, 275) >= 250


def test_many_short_waits_one_behind_the_other_are_one_stall(monkeypatch: pytest.MonkeyPatch) -> None:
    bench = Bench(monkeypatch, Told(12.0, 12.0, 12.0, 12.0, 0.0))
    for at_ms in (20, 40, 60, 80, 100):
        bench.look(at_ms)
    assert bench.stalls.document()["count"] == 1
    assert bench.stalls.within(0, 1000) == pytest.approx(48)


def test_waits_that_every_program_has_are_none(monkeypatch: pytest.MonkeyPatch) -> None:
    bench = Bench(monkeypatch, Told(*(1.0, 30.0, 0.0) * 20))
    for number in range(60):
        bench.look(20.0 * (number + 1))
    assert bench.stalls.count == 0
    assert bench.stalls.within(0, 2000) == 0


def test_a_node_elsewhere_waits_for_nothing_here(monkeypatch: pytest.MonkeyPatch) -> None:
    bench = Bench(monkeypatch, None)
    bench.look(500)
    assert bench.stalls.within(0, 1000) == 0


PLAYS = """
import os, sys
master, slave = os.openpty()
print(os.ttyname(slave), flush=True)
sys.stdin.read()
"""


@pytest.mark.wire
@pytest.mark.skipif(sys.platform != "linux", reason="only Linux tells")
def test_whoever_plays_a_board_at_a_pseudo_terminal_may_wait_too() -> None:
    """The connection is that of the kit's own gateway; the board behind it is another program."""
    with (
        socket.create_server(("127.0.0.1", 0)) as server,
        socket.create_connection(server.getsockname()) as gateway,
        subprocess.Popen(
            [sys.executable, "-c", PLAYS], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        ) as board,
    ):
        assert board.stdout is not None
        port = board.stdout.readline().strip()
        found = peer_process(gateway.getsockname(), server.getsockname(), port)
        other = peer_process(gateway.getsockname(), server.getsockname(), "/dev/ttyUSB0")
        assert board.stdin is not None
        board.stdin.close()
    assert found is not None
    assert found._ids[1:] == (board.pid,)
    assert other is not None
    assert len(other._ids) == 1


RELAYS = """
import os, sys
ends = [os.openpty() for _ in range(2)]
print(*(os.ttyname(slave) for _, slave in ends), flush=True)
sys.stdin.read()
"""
OPENS = """
import sys
port = open(sys.argv[1])
print("open", flush=True)
sys.stdin.read()
"""


@pytest.mark.wire
@pytest.mark.skipif(sys.platform != "linux", reason="only Linux tells")
def test_a_board_behind_a_relay_of_pseudo_terminals_may_wait_too() -> None:
    """A program that joins two pseudo-terminals to a cable, and the board at the far one."""
    with (
        socket.create_server(("127.0.0.1", 0)) as server,
        socket.create_connection(server.getsockname()) as gateway,
        subprocess.Popen(
            [sys.executable, "-c", RELAYS], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        ) as relay,
    ):
        assert relay.stdout is not None
        near, far = relay.stdout.readline().split()
        with subprocess.Popen(
            [sys.executable, "-c", OPENS, far], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        ) as board:
            assert board.stdout is not None
            assert board.stdout.readline().strip() == "open"
            found = peer_process(gateway.getsockname(), server.getsockname(), near)
            assert board.stdin is not None
            board.stdin.close()
        assert relay.stdin is not None
        relay.stdin.close()
    assert found is not None
    assert found._ids[1:] == (relay.pid, board.pid)
