"""The reference nodes pass on real brokers, through the tap, with no inconclusive case.

In CI a crane and a berth with motion, and a shuttle without it on another broker; by hand all six. The runs go on side
by side, for they wait most of the time; each test looks at one of them.
"""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path
from random import Random
from typing import cast

import pytest
from _pytest.mark import ParameterSet

from conformance.bench.brokers.broker import start_broker
from conformance.bench.brokers.mosquitto import find_mosquitto
from conformance.bench.processes.spawned_node import spawned_node
from conformance.bench.tap.tap import Tap
from conformance.bench.wire_bench import WireBench
from conformance.suite.fixture import Fixture
from conformance.suite.verdict import Verdict
from conformance.tester.runner import Run, Selection
from protocol.site_file import load_site, scenario_text
from tests.needs import needs
from tests.tester.excused import without_excuse

NODES = ("north", "siding", "ferry")
WITH_MOTION, WITHOUT = "mosquitto", "embedded"
"""On one broker every case runs, on the other those that move nothing: what differs is the broker."""

SLOW = 4.0
"""Six nodes, their brokers and other tests share two cores here. Exact limits are judged on virtual time."""

PAIRS = [(name, choice) for name in NODES for choice in (WITH_MOTION, WITHOUT)]
IN_CI = (("north", WITH_MOTION), ("siding", WITH_MOTION), ("ferry", WITHOUT))

Runs = dict[tuple[str, str], "Future[Run]"]


@pytest.fixture(scope="module")
def site_path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """harlow-basin with its time-outs cut short: a tester's train comes at once, and a homing takes 2 s."""
    text = scenario_text()
    for old, new in (
        ("arming_timeout_ms = 30000", "arming_timeout_ms = 6000"),
        ("load_sensor = true\n", "load_sensor = true\njob_timeout_ms = 20000\n"),
        ("clear_ms = 3000", "clear_ms = 1000"),
    ):
        assert old in text
        text = text.replace(old, new)
    path = tmp_path_factory.mktemp("site") / "site.toml"
    path.write_text(text)
    return path


@pytest.fixture(scope="module")
def runs(site_path: Path, request: pytest.FixtureRequest) -> Iterator[Runs]:
    """Those that a test of this session looks at."""
    own = [
        one
        for one in request.session.items
        if isinstance(one, pytest.Function) and one.module is request.module
    ]
    every = [cast(tuple[str, str], one.callspec.params["pair"]) for one in own]
    pairs = [pair for pair in every if pair[1] != "mosquitto" or find_mosquitto()]
    with ThreadPoolExecutor(len(pairs)) as pool:
        yield {pair: pool.submit(judge, site_path, *pair) for pair in pairs}


def judge(site_path: Path, name: str, choice: str) -> Run:
    site = load_site(site_path)
    with (
        start_broker(choice) as broker,
        Tap(broker.host, broker.port) as tap,
        spawned_node(tap, site_path, name) as restart,
        WireBench(tap, broker.address, restart, ended=restart.failure) as bench,
    ):
        run = Run(Fixture(bench, site, name, Random(2), SLOW), Selection(motion=choice == WITH_MOTION))
        run.perform()
        return run


def _marked(pair: tuple[str, str]) -> ParameterSet:
    marks = [needs("mosquitto")] if pair[1] == WITH_MOTION else []
    rest = [] if pair in IN_CI else [pytest.mark.exhaustive]
    return pytest.param(pair, marks=marks + rest, id="-".join(pair))


@pytest.mark.parametrize("pair", [_marked(pair) for pair in PAIRS])
def test_the_reference_node_passes(pair: tuple[str, str], runs: Runs) -> None:
    run = runs[pair].result()
    assert without_excuse(run.results) == {}
    passed = sum(result.verdict is Verdict.PASS for result in run.results.values())
    assert passed >= (75 if pair[1] == WITH_MOTION else 60)
