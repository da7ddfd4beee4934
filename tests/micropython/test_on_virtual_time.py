"""The node in MicroPython, by MicroPython itself, under the whole suite, the walk and the fuzzer on virtual time."""

from __future__ import annotations

from pathlib import Path
from random import Random

import pytest

from conformance.bench.virtual_bench import VirtualBench
from conformance.fuzz.link import link_of
from conformance.fuzz.run.campaign import Campaign, Options
from conformance.suite.fixture import Fixture
from conformance.suite.verdict import Verdict
from conformance.tester.runner import Run
from protocol.site_file import scenario
from tests.micropython.interpreter import needs_micropython
from tests.micropython.participant import virtual_bench

pytestmark = [needs_micropython, pytest.mark.slow]
BEFORE_THE_WRAP = 2**32 - 40_000
CASES = 150
NODES = {"crane": "north", "berth": "siding", "shuttle": "ferry"}
JUDGED = {"north": 100, "south": 100, "siding": 100, "ferry": 93}
"""At least so many cases have something to say of each node."""


def verdicts(bench: VirtualBench, node: str) -> dict[str, str]:
    """What the suite has against a node, by case; how many passed stands under 'passed'."""
    results = Run(Fixture(bench, scenario(), node, Random(1))).perform()
    judged = [one for one in results.values() if one.verdict is not Verdict.NONE]
    passed = [one for one in judged if one.verdict is Verdict.PASS]
    spoken = {one.case.id: one.reason for one in judged if one.verdict is not Verdict.PASS}
    warnings = {one.case.id: str(warning) for one in judged for warning in one.warnings}
    return spoken | warnings | {"passed": str(len(passed))}


@pytest.mark.parametrize(
    ("node", "uptime"),
    [
        ("north", BEFORE_THE_WRAP),
        ("siding", 0),
        pytest.param("south", 0, marks=pytest.mark.exhaustive),
        pytest.param("ferry", 0, marks=pytest.mark.exhaustive),
        pytest.param("north", 0, marks=pytest.mark.exhaustive),
        pytest.param("siding", BEFORE_THE_WRAP, marks=pytest.mark.exhaustive),
        pytest.param("ferry", BEFORE_THE_WRAP, marks=pytest.mark.exhaustive),
    ],
)
def test_no_case_speaks_against_it(node: str, uptime: int, tmp_path: Path) -> None:
    with virtual_bench(tmp_path, node, uptime=uptime) as bench:
        spoken = verdicts(bench, node)
    assert int(spoken.pop("passed")) >= JUDGED[node]
    assert spoken == {}


@pytest.mark.exhaustive
@pytest.mark.parametrize("role", NODES)
def test_the_fuzzer_finds_nothing(role: str, tmp_path: Path) -> None:
    with virtual_bench(tmp_path, NODES[role]) as bench:
        fixture = Fixture(bench, scenario(), NODES[role], Random(1))
        run = Campaign(
            fixture, link_of(bench, NODES[role]), Options(seed=1, motion=True, rate=0, shorten_tries=0)
        )
        run.run(lambda: run.cases < CASES)
    assert run.ended == ""
    assert run.cases >= CASES
    assert [str(found.finding) for found in run.found.values()] == []
