"""Scenarios of the kit on real brokers, with reference nodes, real time and real connections."""

from __future__ import annotations

import pytest

from tests.needs import needs
from tests.scenario.on_brokers import played_on


@pytest.mark.parametrize("name", ["01-one-crane", "04-one-train"])
def test_scenario_on_the_embedded_broker(name: str) -> None:
    outcome = played_on("embedded", name)
    assert outcome.wrong == (), "\n".join(outcome.log)


@needs("mosquitto")
@pytest.mark.parametrize("name", ["01-one-crane", "13-network-gone"])
def test_scenario_on_mosquitto(name: str) -> None:
    outcome = played_on("mosquitto", name)
    assert outcome.wrong == (), "\n".join(outcome.log)
