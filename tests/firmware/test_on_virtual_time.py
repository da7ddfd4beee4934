"""The core in C under the whole suite and the fuzzer, in each role, on virtual time."""

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
from protocol.site import Site
from tests.firmware.board import NODES, site
from tests.firmware.core_sequences import A_CAMPAIGN, shares
from tests.firmware.participant import library, virtual_bench
from tests.needs import needs

pytestmark = needs("gcc")
BEFORE_THE_WRAP = 2**32 - 40_000
CASES = 150
JUDGED = {"crane": 95, "berth": 95, "shuttle": 90}
"""At least so many cases have something to say of each role."""


def verdicts(bench: VirtualBench, node: str, of: Site | None = None) -> dict[str, str]:
    """What the suite has against a node, by case; how many passed stands under 'passed'."""
    results = Run(Fixture(bench, of or site(), node, Random(1))).perform()
    judged = [one for one in results.values() if one.verdict is not Verdict.NONE]
    passed = [one for one in judged if one.verdict is Verdict.PASS]
    spoken = {one.case.id: one.reason for one in judged if one.verdict is not Verdict.PASS}
    warnings = {one.case.id: str(warning) for one in judged for warning in one.warnings}
    return spoken | warnings | {"passed": str(len(passed))}


@pytest.mark.parametrize("role", NODES)
@pytest.mark.parametrize("uptime", [0, BEFORE_THE_WRAP], ids=["at the start", "across the wrap"])
def test_no_case_speaks_against_it(role: str, uptime: int, tmp_path: Path) -> None:
    bench = virtual_bench(library(tmp_path, NODES[role]), NODES[role], uptime=uptime)
    spoken = verdicts(bench, NODES[role])
    assert int(spoken.pop("passed")) >= JUDGED[role]
    assert spoken == {}


@pytest.mark.slow
@pytest.mark.parametrize("role", NODES)
def test_the_fuzzer_finds_nothing(role: str, tmp_path: Path) -> None:
    bench = virtual_bench(library(tmp_path, NODES[role]), NODES[role])
    fixture = Fixture(bench, site(), NODES[role], Random(1))
    run = Campaign(
        fixture, link_of(bench, NODES[role]), Options(seed=1, motion=True, rate=0, shorten_tries=0)
    )
    run.run(lambda: run.cases < CASES)
    assert run.ended == ""
    assert run.cases >= CASES
    assert [str(found.finding) for found in run.found.values()] == []


@pytest.mark.parametrize("wanted", [1, 7, 3000, 100_000])
def test_a_long_run_shares_its_sequences_among_the_roles(wanted: int) -> None:
    played = dict.fromkeys(NODES, 0)
    seeds = set()
    for role, seed, number in shares(wanted):
        assert 0 < number <= A_CAMPAIGN
        assert (role, seed) not in seeds
        seeds.add((role, seed))
        played[role] += number
    assert sum(played.values()) == wanted
    assert max(played.values()) - min(played.values()) <= 1
