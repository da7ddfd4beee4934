"""The sound shuttle in C under the whole suite: firmware that no line of ours in Python is part of."""

from __future__ import annotations

from pathlib import Path
from random import Random

from conformance.bench.brokers.broker import start_broker
from conformance.suite.fixture import Fixture
from conformance.suite.verdict import Verdict
from conformance.tester.runner import Run
from tests.faulty_nodes.c.board import NODE, build, on_the_bench, site
from tests.needs import needs, needs_header

pytestmark = [needs("gcc"), needs_header("mosquitto.h", "libmosquitto-dev")]
SLOW = 4.0


def test_no_case_speaks_against_it(tmp_path: Path) -> None:
    program = build(tmp_path, None)
    with start_broker("auto") as broker, on_the_bench(program, broker) as (_, bench, _stand):
        results = Run(Fixture(bench, site(), NODE, Random(1), SLOW)).perform()
    judged = [one for one in results.values() if one.verdict is not Verdict.NONE]
    assert {one.case.id: one.reason for one in judged if one.verdict is not Verdict.PASS} == {}
    assert [str(warning) for one in judged for warning in one.warnings] == []
    assert len(judged) > 70
