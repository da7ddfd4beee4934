"""One scenario, on the virtual bus and on real brokers: every participant hears the same in every stream.

A stream is what one sender says on one topic at one QoS: only within it does MQTT keep order (MQTT 3.1.1 section 4.6).
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable
from random import Random

from conformance.bench.brokers.broker import Broker
from protocol.participant import Delivery, Publication
from protocol.wire.mqtt import MqttHost
from protocol.wire.virtual import VirtualBus
from protocol.wire.virtual_time import VirtualTime
from tests.wire.people import Listener, Node, PoliteNode

Story = dict[tuple[str, str, int], list[Delivery]]
"""Who heard, topic and QoS to what was heard."""

ORDERS = [Publication("north/order", b"%d" % number, number % 2, False) for number in range(10)]
LEAVE = Publication("left/behind", b"a note", 0, True)
ERASE = Publication("left/behind", b"", 0, True)
LAST = Publication("end", b"end", 1, False)
WITHIN_MS = 10_000


class Cast:
    """One hears the north at QoS 1; two nodes, one of which says goodbye; one comes late and hears all at QoS 0."""

    def __init__(self) -> None:
        self.subscriber = Listener("ear", ("north/#", 1), ("end", 1))
        self.north = Node("north")
        self.south = PoliteNode("south")
        self.late = Listener("late", ("#", 0))

    def story(self) -> Story:
        streams: Story = defaultdict(list)
        for one in (self.subscriber, self.north, self.south, self.late):
            for delivery in one.heard:
                streams[one.client_id, delivery.topic, delivery.qos].append(delivery)
        return dict(streams)

    # What each step of the scenario waits for.
    def all_are_up(self) -> bool:
        return self.subscriber.payloads("north/state") == [b"still"]

    def all_is_done(self) -> bool:
        return self.subscriber.payloads("north/state").count(b"busy") == len(ORDERS)

    def north_is_dead(self) -> bool:
        return b"off 1" in self.subscriber.payloads("north/status")

    def late_knows(self) -> bool:
        return bool(self.late.payloads("north/status") and self.late.payloads("south/status"))

    def all_heard_the_end(self) -> bool:
        return bool(self.subscriber.payloads("end") and self.late.payloads("end"))


def on_virtual_bus() -> Story:
    """Come up, take orders, leave a note and erase it, part and die, listen late, end."""
    cast = Cast()
    bus = VirtualBus(VirtualTime(), Random(1))

    def until(step: Callable[[], bool]) -> None:
        assert bus.time.run_until_true(step, within_ms=WITHIN_MS), step

    for participant in (cast.subscriber, cast.north, cast.south):
        bus.attach(participant)
        until(lambda one=participant: bus.is_up(one.client_id))  # type: ignore[misc]
    until(cast.all_are_up)
    bus.call("south", lambda _, __: [*ORDERS, LEAVE, ERASE])
    until(cast.all_is_done)
    bus.detach("south", graceful=True)
    bus.sever("north")
    bus.detach("north", graceful=False)
    until(cast.north_is_dead)
    bus.attach(cast.late)
    until(cast.late_knows)
    bus.call("ear", lambda _, __: [LAST])
    until(cast.all_heard_the_end)
    return cast.story()


def on_broker(broker: Broker, version: int) -> Story:
    """The same steps in the same order."""
    cast = Cast()
    people = (cast.subscriber, cast.north, cast.south, cast.late)
    subscriber, north, south, late = (
        MqttHost(one, broker.host, broker.port, version=version) for one in people
    )

    def until(step: Callable[[], bool], *listeners: Listener) -> None:
        for listener in listeners:
            with listener.changed:
                listener.changed.wait_for(step, WITHIN_MS / 1000)
        assert step(), step

    try:
        for host in (subscriber, north, south):
            host.start()
        until(cast.all_are_up, cast.subscriber)
        south.call(lambda _, __: [*ORDERS, LEAVE, ERASE])
        until(cast.all_is_done, cast.subscriber)
        south.stop()
        north.stop(graceful=False)
        until(cast.north_is_dead, cast.subscriber)
        late.start()
        until(cast.late_knows, cast.late)
        subscriber.call(lambda _, __: [LAST])
        until(lambda: bool(cast.subscriber.payloads("end")), cast.subscriber)
        until(cast.all_heard_the_end, cast.late)
    finally:
        for host in (subscriber, north, south, late):
            host.stop(graceful=False)
    return cast.story()


def test_the_same_scenario_gives_the_same_story(broker_and_version: tuple[Broker, int]) -> None:
    virtual = on_virtual_bus()
    assert len(virtual["north", "north/order", 0]) == len(virtual["north", "north/order", 1]) == 5
    assert on_broker(*broker_and_version) == virtual
