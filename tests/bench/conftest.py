"""Brokers to test against: each test that asks for `broker` runs on the embedded one and on mosquitto."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from conformance.bench.brokers.broker import Broker, start_broker
from tests.needs import needs

BOTH = ["embedded", pytest.param("mosquitto", marks=needs("mosquitto"))]


@pytest.fixture(params=BOTH)
def broker(request: pytest.FixtureRequest) -> Iterator[Broker]:
    with start_broker(request.param) as running:
        yield running


@pytest.fixture
def mosquitto() -> Iterator[Broker]:
    with start_broker("mosquitto") as running:
        yield running
