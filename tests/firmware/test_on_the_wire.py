"""The core in C as a process behind a real broker, built with the sanitizers."""

from __future__ import annotations

from pathlib import Path
from random import Random

import pytest

from conformance.bench.brokers.broker import start_broker
from conformance.suite.fixture import Fixture
from conformance.suite.verdict import Verdict
from conformance.tester.runner import Run, Selection
from tests.firmware.board import NODES, build, on_the_bench, site
from tests.needs import needs, needs_header
from tests.tester.excused import without_excuse

pytestmark = [needs("gcc"), needs_header("mosquitto.h", "libmosquitto-dev"), pytest.mark.slow]
SLOW = 4.0
SHORT = {
    "crane": ("crane-transfer", "link-comes-back", "encoding-tails", "link-will"),
    "berth": ("berth-arrival", "link-comes-back", "encoding-unreadable", "link-will"),
    "shuttle": ("shuttle-runs", "link-comes-back", "encoding-tails", "link-will"),
}
"""What only a real link can show, and one job; the rest is seen on virtual time, and in the simulator of the chip."""


def judge(folder: Path, role: str, only: tuple[str, ...] | None) -> int:
    node = NODES[role]
    program = build(folder, node)
    with start_broker("auto") as broker, on_the_bench(program, node, broker) as (board, bench, _):
        results = Run(Fixture(bench, site(), node, Random(1), SLOW), Selection(only)).perform()
    passed = [one for one in results.values() if one.verdict is Verdict.PASS]
    assert without_excuse(results) == {}
    assert board.words == ""
    return len(passed)


@pytest.mark.parametrize("role", SHORT)
def test_a_part_of_the_suite(role: str, tmp_path: Path) -> None:
    assert judge(tmp_path, role, SHORT[role]) > len(SHORT[role])


@pytest.mark.exhaustive
@pytest.mark.parametrize("role", SHORT)
def test_the_whole_suite(role: str, tmp_path: Path) -> None:
    assert judge(tmp_path, role, None) >= 90
