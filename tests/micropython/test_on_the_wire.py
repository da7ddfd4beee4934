"""The node in MicroPython behind a real broker: one role whole, of the others what only a real link can show."""

from __future__ import annotations

import signal
import time
from pathlib import Path
from random import Random

import pytest

from conformance.bench.brokers.broker import start_broker
from conformance.suite.fixture import Fixture
from conformance.suite.verdict import Verdict
from conformance.tester.result import Result
from conformance.tester.runner import Run, Selection
from protocol.site_file import scenario
from tests.firmware.cycled_board import running
from tests.micropython.board import Board, on_the_bench
from tests.micropython.interpreter import needs_micropython
from tests.serial.test_on_a_cable import Listener

pytestmark = [needs_micropython, pytest.mark.slow, pytest.mark.wire]
SLOW = 4.0
SHORT = {
    "north": ("encoding-unreadable", "link-will", "link-subscribe-first"),
    "siding": ("berth-arrival", "encoding-tails", "link-will"),
}
"""Beside the shuttle, whose link is the same code: what hangs on encoding and role."""


def judge(folder: Path, node: str, only: tuple[str, ...] | None) -> int:
    """How many cases had something to say, all of it good. What a stall of this machine left open is asked again."""

    def ask(chosen: tuple[str, ...] | None) -> dict[str, Result]:
        results = Run(Fixture(bench, scenario(), node, Random(1), SLOW), Selection(chosen)).perform()
        return {id_: one for id_, one in results.items() if one.verdict is not Verdict.NONE}

    with start_broker("auto") as broker, on_the_bench(folder, scenario(), node, broker) as (board, bench, _):
        judged = ask(only)
        if spoken := [id_ for id_, one in judged.items() if one.verdict is Verdict.INCONCLUSIVE]:
            judged |= ask(tuple(spoken))
        assert board.process.poll() is None
    assert {id_: one.reason for id_, one in judged.items() if one.verdict is not Verdict.PASS} == {}
    assert board.words == ""
    return len(judged)


@pytest.mark.exhaustive
def test_a_whole_shuttle(tmp_path: Path) -> None:
    assert judge(tmp_path, "ferry", None) >= 93


@pytest.mark.parametrize("node", SHORT)
def test_a_part_of_the_suite(node: str, tmp_path: Path) -> None:
    assert judge(tmp_path, node, SHORT[node]) >= len(SHORT[node])


def test_ctrl_c_is_a_parting(tmp_path: Path) -> None:
    """'off' with the count of this connection, once, and no will behind it [LNK-16]."""
    with start_broker("auto") as broker:
        board = Board(tmp_path, scenario(), "ferry", ("mqtt", broker.host, broker.port))
        listener = Listener(broker)
        try:
            with running(board):
                listener.wait("ferry", "node-status", lambda body: body["state"] == "on")
                board.process.send_signal(signal.SIGINT)
                assert board.process.wait(timeout=10) == 0, board.words
                listener.wait("ferry", "node-status", lambda body: body["state"] == "off")
                time.sleep(0.3)
            said = [body for body in listener.bodies("ferry", "node-status") if body["state"] == "off"]
            assert [body["link"] for body in said] == [1]
        finally:
            listener.close()


@pytest.mark.exhaustive
@pytest.mark.parametrize("node", ["north", "south", "siding"])
def test_the_whole_suite(node: str, tmp_path: Path) -> None:
    assert judge(tmp_path, node, None) >= 100
