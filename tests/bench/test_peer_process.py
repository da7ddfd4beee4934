"""A process on this machine that waits for a processor is found by its connection, and its waiting measured."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from conformance.bench.processes.peer_process import PeerProcess, peer_process

CLIENT = "import socket, sys; s = socket.create_connection(('127.0.0.1', int(sys.argv[1]))); s.recv(1)"
pytestmark = pytest.mark.skipif(
    not Path("/proc/self/schedstat").exists(), reason="not Linux: what a process waited for is told by none"
)


@contextmanager
def on_one_processor(*sources: str) -> Iterator[list[subprocess.Popen[bytes]]]:
    """Programs that all have to run on the processor that this thread is allowed first."""
    first = min(os.sched_getaffinity(0))
    there = f"import os; os.sched_setaffinity(0, [{first}])\n"
    running = [subprocess.Popen([sys.executable, "-c", there + source]) for source in sources]
    try:
        yield running
    finally:
        for one in running:
            one.kill()
            one.wait()


def test_it_is_found_by_its_connection() -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = server.getsockname()[1]
        with subprocess.Popen([sys.executable, "-c", CLIENT, str(port)]) as client:
            connection, peer = server.accept()
            with connection:
                found = peer_process(peer, connection.getsockname())
                nobody = peer_process((peer[0], peer[1]), (peer[0], 1))
    assert found is not None
    assert found.process_id == client.pid
    assert nobody is None


def test_a_peer_in_the_network_is_none() -> None:
    assert peer_process(("192.0.2.7", 40_000), ("192.0.2.1", 1883)) is None
    assert peer_process(("", 0), ("127.0.0.1", 1883)) is None


def test_two_that_want_one_processor_wait_for_each_other() -> None:
    busy = "while True: pass"
    with on_one_processor(busy, busy) as (one, _other):
        time.sleep(0.3)
        peer = PeerProcess(one.pid)
        time.sleep(0.6)
        waited = peer.waited_ms()
        again = peer.waited_ms()
    assert 100 < waited < 2_000
    assert again < waited


def test_one_that_sleeps_waits_for_no_processor_and_one_that_has_ended_neither() -> None:
    with subprocess.Popen([sys.executable, "-c", "import time; time.sleep(60)"]) as sleeps:
        peer = PeerProcess(sleeps.pid)
        sleeps.kill()
        sleeps.wait()
        assert peer.waited_ms() < 1_000
        assert peer.waited_ms() == 0
