"""Scenarios of the kit on real brokers, with reference nodes, real time and real connections."""

from __future__ import annotations

import threading
import time

import pytest

from conformance.bench.broker import start_broker
from conformance.commands.supervise import LOOK_S
from conformance.commands.supervise_yard import WireYard
from protocol.site_file import scenario as site_of_the_kit
from reference_node.scenario.scenario_file import load_scenario
from reference_node.scenario.story import Outcome
from tests.needs import needs

SITE = site_of_the_kit()


def on(choice: str, name: str) -> Outcome:
    before = threading.active_count()
    with start_broker(choice) as broker:
        yard = WireYard(load_scenario(name, SITE), SITE, broker, simulated=True)
        with yard.running():
            while not yard.over:
                time.sleep(LOOK_S)
                yard.go_on()
            outcome = yard.ended()
    assert threading.active_count() <= before, threading.enumerate()
    return outcome


@pytest.mark.parametrize("name", ["01-one-crane", "04-one-train"])
def test_scenario_on_the_embedded_broker(name: str) -> None:
    outcome = on("embedded", name)
    assert outcome.wrong == (), "\n".join(outcome.log)


@needs("mosquitto")
@pytest.mark.parametrize("name", ["01-one-crane", "13-network-gone"])
def test_scenario_on_mosquitto(name: str) -> None:
    outcome = on("mosquitto", name)
    assert outcome.wrong == (), "\n".join(outcome.log)
