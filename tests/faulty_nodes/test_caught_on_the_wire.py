"""A sample of the faulty nodes behind a real broker and the tap: what virtual time catches, the wire catches."""

from __future__ import annotations

from dataclasses import replace
from random import Random

import pytest

import tests.faulty_nodes.every  # noqa: F401 - entering the nodes
from conformance.bench.brokers.broker import start_broker
from conformance.bench.tap.tap import Tap
from conformance.bench.wire_bench import WireBench
from conformance.suite.case import all_cases
from conformance.suite.fixture import Fixture
from conformance.suite.verdict import Verdict
from conformance.tester.runner import Run, Selection
from protocol.site_file import scenario
from protocol.wire.mqtt import MqttHost, monotonic_ms
from reference_node.machines.node_machines import Machines
from reference_node.machines.world import World
from tests.faulty_nodes.faulty import FAULTY

SAMPLE = (
    "AsksForASecondTooMuch",
    "WillIsNotRetained",
    "SubscribesToEveryNode",
    "SubscribesAtQosZero",
    "ReportsAreRetained",
    "ObeysRetainedOrders",
    "CountsAllTopicsTogether",
    "SortsKeysBackwards",
    "TakesAnyBoot",
    "TakesOldIds",
    "ClaimsLowerTheMark",
    "DeafToHoldsForAll",
    "BerthBelievesAnyReset",
)


@pytest.mark.parametrize("name", SAMPLE)
def test_faulty_node_is_caught_on_the_wire(name: str) -> None:
    wrong = FAULTY[name]
    site = scenario()
    with (
        start_broker("embedded") as broker,
        Tap(broker.host, broker.port) as tap,
        WireBench(tap, broker.address) as bench,
    ):
        now_ms = monotonic_ms()
        machines = Machines(site.nodes[wrong.node], World(site, alone=True), Random(1), now_ms=now_ms)
        controller = wrong.controller(
            site,
            wrong.node,
            boot=4711,
            bench=wrong.bench,
            machines=machines,
            rng=Random(1),
            started_ms=now_ms,
        )
        host = MqttHost(controller, tap.host, tap.port)
        host.start()
        try:
            # A claim and its answer are enough for the passive cases of this sample to judge.
            only = (wrong.caught_by, "claim-raises")
            run = Run(Fixture(bench, site, wrong.node, Random(1)), Selection(only=only))
            cases = [replace(one, occasions=()) for one in all_cases().values()]
            result = run.perform(cases)[wrong.caught_by]
        finally:
            host.stop()
    assert result.verdict is Verdict.FAIL, (result.verdict, result.reason)
    assert result.evidence is not None
    assert result.evidence.requirement == wrong.requirement
