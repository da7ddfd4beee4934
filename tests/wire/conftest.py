"""Real brokers for the link: mosquitto, and the embedded one where MQTT 3.1.1 is enough."""

from __future__ import annotations

import threading
from collections.abc import Iterator

import pytest

from conformance.bench.brokers.broker import Broker, start_broker
from protocol.wire.dial import DIAL_TIMEOUT_S
from tests.needs import needs


@pytest.fixture(
    params=[
        pytest.param(("mosquitto", 311), marks=needs("mosquitto"), id="mosquitto-3.1.1"),
        pytest.param(("mosquitto", 5), marks=needs("mosquitto"), id="mosquitto-5"),
        pytest.param(("embedded", 311), id="embedded-3.1.1"),
    ]
)
def broker_and_version(request: pytest.FixtureRequest) -> Iterator[tuple[Broker, int]]:
    choice, version = request.param
    with start_broker(choice) as broker:
        yield broker, version


@pytest.fixture(autouse=True)
def no_thread_left() -> Iterator[None]:
    """A host that has stopped leaves no thread behind; a dialler that it dropped ends by itself, in its time."""
    yield
    threads = [one for one in threading.enumerate() if one.name.startswith(("mqtt ", "dial "))]
    for dialler in threads:
        if dialler.name.startswith("dial "):
            dialler.join(DIAL_TIMEOUT_S)
    assert [one.name for one in threads if one.is_alive()] == []
