"""The core in C is led through all of its machine behind a real broker: what `conform` does by default, with k = 1."""

from __future__ import annotations

from pathlib import Path
from random import Random

import pytest

from conformance.bench.brokers.broker import start_broker
from conformance.suite.case import all_cases
from conformance.suite.fixture import Fixture
from conformance.suite.verdict import Verdict
from conformance.tester.runner import Run, Selection
from conformance.tester.walk.walk import Walked
from conformance.tester.walk.walk_case import ID, walk_case
from tests.firmware.board import NODES, build, on_the_bench, site
from tests.needs import needs, needs_header

pytestmark = [needs("gcc"), needs_header("mosquitto.h", "libmosquitto-dev"), pytest.mark.exhaustive]
SLOW = 4.0
ENOUGH = {"crane": 900, "berth": 500, "shuttle": 300}
"""Transitions that are walked at least."""


@pytest.mark.parametrize("role", NODES)
def test_the_core_is_walked_on_the_wire(role: str, tmp_path: Path) -> None:
    node, walks = NODES[role], list[Walked]()
    program = build(tmp_path, node)
    cases = (*all_cases().values(), walk_case(1, record=walks.append))
    with start_broker("auto") as broker, on_the_bench(program, node, broker) as (board, bench, _):
        run = Run(Fixture(bench, site(), node, Random(1), SLOW), Selection(only=(ID,)))
        results = run.perform(cases)
    assert results[ID].verdict is Verdict.PASS, results[ID].reason
    walked = walks[-1]  # Walked again where the test machine stood still.
    assert walked.walked == walked.size - walked.once >= ENOUGH[role], (
        walked.walked,
        walked.size,
        walked.once,
    )
    assert board.words == ""
