"""The node in MicroPython behind a real broker: one role whole, of the others what only a real link can show."""

from __future__ import annotations

from pathlib import Path
from random import Random

import pytest

from conformance.bench.brokers.broker import start_broker
from conformance.suite.fixture import Fixture
from conformance.suite.verdict import Verdict
from conformance.tester.runner import Run, Selection
from protocol.site_file import scenario
from tests.micropython.board import on_the_bench
from tests.micropython.interpreter import needs_micropython

pytestmark = [needs_micropython, pytest.mark.slow, pytest.mark.wire]
SLOW = 4.0
SHORT = {
    "north": ("link-comes-back", "encoding-unreadable", "link-will", "link-acknowledges"),
    "siding": ("berth-arrival", "link-comes-back", "encoding-tails", "link-will"),
}


def judge(folder: Path, node: str, only: tuple[str, ...] | None) -> int:
    with start_broker("auto") as broker, on_the_bench(folder, scenario(), node, broker) as (board, bench, _):
        results = Run(Fixture(bench, scenario(), node, Random(1), SLOW), Selection(only)).perform()
        assert board.process.poll() is None
    judged = [one for one in results.values() if one.verdict is not Verdict.NONE]
    assert {one.case.id: one.reason for one in judged if one.verdict is not Verdict.PASS} == {}
    assert board.words == ""
    return len(judged)


def test_a_whole_shuttle(tmp_path: Path) -> None:
    assert judge(tmp_path, "ferry", None) >= 93


@pytest.mark.parametrize("node", SHORT)
def test_a_part_of_the_suite(node: str, tmp_path: Path) -> None:
    assert judge(tmp_path, node, SHORT[node]) >= len(SHORT[node])


@pytest.mark.exhaustive
@pytest.mark.parametrize("node", ["north", "south", "siding"])
def test_the_whole_suite(node: str, tmp_path: Path) -> None:
    assert judge(tmp_path, node, None) >= 100
