"""Clients on a virtual bus, for the tests of that bus."""

from __future__ import annotations

from random import Random

from protocol.participant import Publication
from protocol.wire.virtual import VirtualBus
from protocol.wire.virtual_time import VirtualTime
from tests.wire.people import Listener


def new_bus(seed: int = 1, **options: float) -> VirtualBus:
    return VirtualBus(VirtualTime(), Random(seed), **options)  # type: ignore[arg-type]


def run_for(bus: VirtualBus, ms: int) -> None:
    bus.time.run_until(bus.time.now_ms + ms)


def say(bus: VirtualBus, topic: str, payload: bytes, qos: int = 1, retain: bool = False) -> None:
    bus.publish(Publication(topic, payload, qos, retain))


def with_listener(bus: VirtualBus, *filters: tuple[str, int]) -> Listener:
    listener = Listener("ear", *filters)
    bus.attach(listener)
    assert bus.time.run_until_true(lambda: bus.is_up("ear"), within_ms=1_000)
    run_for(bus, 100)
    return listener
