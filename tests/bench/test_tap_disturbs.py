"""The tap cuts, holds, drops, delays and refuses, and knows of all that it did."""

from __future__ import annotations

import socket

import pytest

from conformance.bench.brokers.broker import Broker
from conformance.bench.tap.tap import Tap
from protocol.trouble import Trouble
from protocol.wire.evidence import ClosedBy, Direction, Fate
from protocol.wire.packet import (
    Kind,
    Publish,
)
from tests.bench.tap_traffic import TIMEOUT, closed, publishes, turned_away
from tests.bench.wire import (
    DISCONNECT,
    PINGREQ,
    Wire,
    client,
    connect,
    publish,
    send_acknowledged,
    subscribe,
    subscriber,
)


def test_a_cut_is_not_a_disconnect_and_the_node_may_come_again(broker: Broker) -> None:
    with Tap(broker.host, broker.port) as tap, subscriber(broker.port, "yard", "w") as watcher:
        with client(tap.port, "north", will=("w", b"off", 1, False)) as node:
            tap.cut()
            assert node.closed_within(TIMEOUT)
        assert watcher.message().payload == b"off"
        with client(tap.port, "north", will=("w", b"off", 1, False)) as node:
            node.send(DISCONNECT)
            assert node.closed_within(TIMEOUT)
        assert tap.wait_for_connection(closed(2), TIMEOUT)
        assert watcher.fence() == []
        first, second = tap.connections
        assert first.closed_by is ClosedBy.TAP
        assert second.closed_by in (ClosedBy.NODE, ClosedBy.BROKER)
        assert first.closed_us is not None
        assert first.opened_us <= first.closed_us <= second.opened_us
        assert {packet.connection for packet in tap.evidence} == {1, 2}


def test_disconnect_and_close_at_once_never_look_like_a_cut(broker: Broker) -> None:
    """A relay that closes with bytes unread resets the connection, and the broker would send the will."""
    with Tap(broker.host, broker.port) as tap, subscriber(broker.port, "yard", "#", 0) as watcher:
        for number in range(1, 21):
            with client(tap.port, "north", will=("w", b"off", 0, False)) as node:
                node.send(subscribe("#", 0), *(publish("x", b"1") for _ in range(5)), DISCONNECT)
            assert tap.wait_for_connection(closed(number), TIMEOUT)
        for _ in range(100):
            assert watcher.message().topic == "x"
        assert watcher.fence() == []


def test_held_packets_wait_and_others_pass(broker: Broker) -> None:
    with Tap(broker.host, broker.port) as tap, subscriber(tap.port, "north", "x/#", 0) as node:
        rule = tap.hold(lambda packet: not packet.from_node and publishes(packet))
        with client(broker.port, "yard") as sender:
            send_acknowledged(sender, "x/1", b"1")
            send_acknowledged(sender, "x/2", b"2")
        assert node.fence() == []
        assert [packet.raw for packet in tap.held(rule)] == [publish("x/1", b"1"), publish("x/2", b"2")]
        assert not any(publishes(packet) for packet in tap.evidence)
        tap.release(rule)
        assert [node.message().payload for _ in range(2)] == [b"1", b"2"]
        assert sum(publishes(packet) for packet in tap.evidence) == 2
        assert tap.held(rule) == []


def test_an_acknowledgement_of_the_node_can_be_held_back(broker: Broker) -> None:
    with Tap(broker.host, broker.port) as tap, subscriber(tap.port, "north", "x", 1) as node:
        rule = tap.hold(lambda packet: packet.from_node and packet.packet.kind is Kind.PUBACK)
        with client(broker.port, "yard") as sender:
            send_acknowledged(sender, "x", b"1")
        node.message()
        held = tap.wait_for(lambda packet: packet.fate is Fate.HELD, TIMEOUT)
        assert held is not None
        assert held.packet.kind is Kind.PUBACK
        tap.discard(rule)
        assert node.fence() == []


def test_dropped_packets_are_lost_as_often_as_asked(broker: Broker) -> None:
    with Tap(broker.host, broker.port) as tap, subscriber(broker.port, "yard", "x", 0) as reader:
        tap.drop(lambda packet: packet.from_node and publishes(packet), limit=2)
        with client(tap.port, "north") as node:
            node.send(*(publish("x", b"%d" % number) for number in range(4)))
            node.fence()
        assert [reader.message().payload for _ in range(2)] == [b"2", b"3"]
        fates = [packet.fate for packet in tap.evidence if packet.from_node and publishes(packet)]
        assert fates == [Fate.DROPPED] * 2 + [Fate.FORWARDED] * 2


def test_delay_is_on_the_brokers_side_and_keeps_order(broker: Broker) -> None:
    """The evidence of what the node sent is not blurred by a delay towards the broker, and the other way."""
    with Tap(broker.host, broker.port) as tap, client(tap.port, "north") as node:
        tap.delay(Direction.FROM_NODE, 150)
        node.send(publish("x", b"1"), PINGREQ)
        answer = tap.wait_for(lambda packet: packet.packet.kind is Kind.PINGRESP, TIMEOUT)
        ping = tap.wait_for(lambda packet: packet.packet.kind is Kind.PINGREQ, TIMEOUT)
        sent = tap.wait_for(publishes, TIMEOUT)
        assert answer is not None
        assert ping is not None
        assert sent is not None
        assert ping.at_us - sent.at_us < 100_000
        assert answer.at_us - ping.at_us >= 150_000


def test_the_tap_can_say_something_of_its_own(broker: Broker) -> None:
    with Tap(broker.host, broker.port) as tap:
        with pytest.raises(Trouble, match="not connected"):
            tap.inject(Direction.TO_NODE, publish("x", b"1"))
        with client(tap.port, "north") as node, subscriber(broker.port, "yard", "y", 0) as reader:
            tap.inject(Direction.TO_NODE, publish("x", b"twice"))
            assert node.message().payload == b"twice"
            tap.inject(Direction.FROM_NODE, publish("y", b"up"))
            assert reader.message().payload == b"up"
        fates = [packet.fate for packet in tap.evidence if publishes(packet)]
        assert fates == [Fate.INJECTED, Fate.INJECTED]


def test_a_refusing_tap_is_a_broker_out_of_reach(broker: Broker) -> None:
    with Tap(broker.host, broker.port) as tap:
        tap.refuse()
        assert turned_away(tap.port)
        tap.refuse(False)
        with client(tap.port, "north"):
            pass


def test_a_broker_that_is_gone_ends_the_nodes_connection() -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = server.getsockname()[1]
    with Tap("127.0.0.1", port) as tap:
        assert turned_away(tap.port)
        assert tap.wait_for_connection(lambda one: one.closed_by is ClosedBy.BROKER, TIMEOUT)


def test_what_comes_while_a_packet_goes_byte_by_byte_follows_it_whole(broker: Broker) -> None:
    """Bytes of two packets never mix, and none is lost behind the slow one: neither the tap's own nor what it held."""
    with Tap(broker.host, broker.port) as tap, subscriber(tap.port, "north", "x/#", 0) as node:
        rule = tap.hold(lambda packet: isinstance(packet.packet, Publish) and packet.packet.topic == "x/held")
        with client(broker.port, "yard") as sender:
            send_acknowledged(sender, "x/held", b"kept back")
            assert node.fence() == []
            tap.throttle(Direction.TO_NODE, 5)
            send_acknowledged(sender, "x/slow", bytes(range(60)))
        begun = tap.wait_for(lambda packet: publishes(packet) and packet.fate is Fate.FORWARDED, TIMEOUT)
        assert begun is not None
        tap.inject(Direction.TO_NODE, publish("x/own", b"said by the tap"))
        tap.release(rule)
        tap.throttle(Direction.TO_NODE, 0)
        came = [node.message() for _ in range(3)]
        assert [one.topic for one in came] == ["x/slow", "x/own", "x/held"]
        assert [one.payload for one in came] == [bytes(range(60)), b"said by the tap", b"kept back"]
        assert node.fence() == []


def test_a_rule_that_is_discarded_holds_nothing_more(broker: Broker) -> None:
    with Tap(broker.host, broker.port) as tap, subscriber(tap.port, "north", "x", 0) as node:
        rule, other = (tap.hold(lambda packet: not packet.from_node and publishes(packet)) for _ in range(2))
        tap.discard(other)
        with client(broker.port, "yard") as sender:
            send_acknowledged(sender, "x", b"lost")
            assert tap.wait_for(publishes, 0.2) is None, "what is held for the node never came to it"
            assert (len(tap.held(rule)), tap.held(other)) == (1, [])
            tap.discard(rule)
            assert tap.held(rule) == []
            send_acknowledged(sender, "x", b"heard")
        assert node.message().payload == b"heard"
        assert node.fence() == []
        tap.discard(rule)


def test_what_cannot_go_on_because_the_broker_has_left_is_dropped_and_evidence_all_the_same() -> None:
    with socket.create_server(("127.0.0.1", 0)) as server, Tap(*server.getsockname()) as tap:
        with Wire(tap.port) as node:
            node.send(connect("north"))
            peer, _ = server.accept()
            assert tap.wait_for(lambda packet: packet.packet.kind is Kind.CONNECT, TIMEOUT) is not None
            peer.close()
            assert tap.wait_for_connection(closed(1), TIMEOUT) is not None
            node.send(publish("x", b"too late"))
            late = tap.wait_for(publishes, TIMEOUT)
        assert late is not None
        assert late.fate is Fate.DROPPED
        (one,) = tap.connections
        assert one.closed_by is ClosedBy.BROKER
        assert {packet.fate for packet in tap.evidence if not publishes(packet)} == {Fate.FORWARDED}


def test_a_tap_that_ends_cuts_what_is_open(broker: Broker) -> None:
    with subscriber(broker.port, "yard", "w") as watcher:
        with Tap(broker.host, broker.port) as tap:
            node = Wire(tap.port)
            node.send(connect("north", will=("w", b"off", 1, False)))
            node.expect(Kind.CONNACK)
        assert node.closed_within(TIMEOUT)
        node.sock.close()
        assert watcher.message().payload == b"off", "a cut is no DISCONNECT"
        (one,) = tap.connections
        assert one.closed_by is ClosedBy.TAP
