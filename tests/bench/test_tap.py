"""The tap between real clients and real brokers."""

from __future__ import annotations

import socket
import threading
from collections.abc import Callable

import pytest

from conformance.bench.brokers.broker import Broker
from conformance.bench.tap.tap import Tap
from protocol.trouble import Trouble
from protocol.wire.evidence import ClosedBy, Direction, Fate, LinkConnection, LinkPacket
from protocol.wire.packet import (
    Ack,
    Connack,
    Connect,
    Disconnect,
    Granted,
    Kind,
    Publish,
    Subscribe,
    Subscription,
    Unreadable,
    Will,
)
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

TIMEOUT = 5.0


def publishes(packet: LinkPacket) -> bool:
    return isinstance(packet.packet, Publish)


def closed(number: int) -> Callable[[LinkConnection], bool]:
    return lambda one: one.number == number and one.closed_by is not None


def turned_away(port: int) -> bool:
    try:
        with Wire(port) as node:
            return node.closed_within(TIMEOUT)
    except ConnectionResetError:
        # So early that connecting itself fails.
        return True


def test_every_packet_of_a_session_is_evidence(broker: Broker) -> None:
    with Tap(broker.host, broker.port) as tap, Wire(tap.port) as node:
        node.send(connect("north", keep_alive=15, will=("w", b"off", 1, True)))
        node.expect(Kind.CONNACK)
        node.send(subscribe("x/#", 1, 9))
        node.expect(Kind.SUBACK)
        node.send(publish("x/1", b"hello", 1, retain=True, packet_id=5))
        # The acknowledgement and the message come in an order that is the broker's own.
        came = {node.receive().kind, node.receive().kind}
        assert came == {Kind.PUBACK, Kind.PUBLISH}
        assert node.fence() == []
        node.send(DISCONNECT)
        assert node.closed_within(TIMEOUT)
        assert tap.wait_for_connection(closed(1), TIMEOUT)

        from_node = [packet.packet for packet in tap.evidence if packet.from_node]
        assert from_node == [
            Connect("MQTT", 4, "north", True, 15, Will("w", b"off", 1, True), None, None),
            Subscribe(9, (Subscription("x/#", 1, 1),)),
            Publish("x/1", b"hello", 1, True, False, 5),
            from_node[3],
            Disconnect(),
        ]
        assert from_node[3].kind is Kind.PINGREQ
        to_node = [packet.packet for packet in tap.evidence if not packet.from_node]
        assert to_node[:2] == [Connack(False, 0), Granted(Kind.SUBACK, 9, (1,))]
        live = next(packet for packet in to_node if isinstance(packet, Publish))
        assert (live.topic, live.payload, live.qos, live.retain) == ("x/1", b"hello", 1, False)
        assert Ack(Kind.PUBACK, 5) in to_node
        assert to_node[-1].kind is Kind.PINGRESP

        assert [packet.number for packet in tap.evidence] == list(range(1, len(tap.evidence) + 1))
        times = [packet.at_us for packet in tap.evidence]
        assert times == sorted(times)
        assert {packet.fate for packet in tap.evidence} == {Fate.FORWARDED}


def test_bytes_pass_unchanged_in_pieces_of_any_size() -> None:
    """A peer that only collects and answers shows the very bytes, also those that are no MQTT at all."""
    raws = [connect("north"), publish("x", bytes(70_000)), PINGREQ]
    garbage = b"\x00\xff\x80\x80\x80\x80\x80" + bytes(range(256))
    sent = b"".join(raws) + garbage
    got = bytearray()
    whole = threading.Event()
    with socket.create_server(("127.0.0.1", 0)) as server:

        def collect() -> None:
            peer, _ = server.accept()
            with peer:
                while chunk := peer.recv(65_536):
                    got.extend(chunk)
                    peer.sendall(chunk)
            whole.set()

        thread = threading.Thread(target=collect)
        thread.start()
        back = bytearray()
        with Tap("127.0.0.1", server.getsockname()[1]) as tap:
            with socket.create_connection(("127.0.0.1", tap.port), TIMEOUT) as node:
                node.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                for byte in sent[:500]:
                    node.sendall(bytes([byte]))
                node.sendall(sent[500:])
                while len(back) < len(sent):
                    back += node.recv(65_536)
            assert whole.wait(TIMEOUT)
            evidence = tap.evidence
        thread.join(TIMEOUT)
    assert bytes(got) == sent
    assert bytes(back) == sent
    assert [packet.raw for packet in evidence if packet.from_node][:3] == raws
    assert b"".join(packet.raw for packet in evidence if packet.from_node) == sent
    assert isinstance([packet for packet in evidence if packet.from_node][3].packet, Unreadable)


def test_half_a_packet_at_the_end_is_evidence_too(broker: Broker) -> None:
    with Tap(broker.host, broker.port) as tap:
        with client(tap.port, "north") as node:
            node.send(publish("x", b"hello")[:-2])
        found = tap.wait_for(lambda packet: isinstance(packet.packet, Unreadable), TIMEOUT)
        assert found is not None
        assert found.raw == publish("x", b"hello")[:-2]


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


def test_a_listener_hears_every_packet_once(broker: Broker) -> None:
    heard: list[LinkPacket] = []
    with Tap(broker.host, broker.port) as tap:
        tap.on_packet(heard.append)
        with client(tap.port, "north") as node:
            node.fence()
        tap.wait_for_connection(closed(1), TIMEOUT)
        assert heard == tap.evidence
        assert len(heard) == 4
        late: list[LinkPacket] = []
        tap.on_packet(late.append)
        assert late == heard


def test_a_predicate_that_fails_is_heard_of(broker: Broker) -> None:
    with Tap(broker.host, broker.port) as tap:
        tap.hold(lambda packet: 1 // 0 == 0)
        with Wire(tap.port) as node:
            node.send(connect("north"))
            assert node.closed_within(TIMEOUT)
        with pytest.raises(ZeroDivisionError):
            tap.wait_for(lambda packet: False, TIMEOUT)


def test_waiting_ends_at_its_time_and_can_start_late(broker: Broker) -> None:
    with Tap(broker.host, broker.port) as tap, client(tap.port, "north") as node:
        assert tap.wait_for(lambda packet: False, 0.05) is None
        last = tap.evidence[-1].number
        assert tap.wait_for(lambda packet: packet.packet.kind is Kind.CONNACK, 0.05, after=last) is None
        node.fence()
        assert tap.wait_for(lambda packet: True, TIMEOUT, after=last) is not None


@pytest.mark.wire
def test_the_network_is_not_let_in_unasked() -> None:
    with pytest.raises(Trouble, match="nobody asked for that"):
        Tap("127.0.0.1", 1883, bind="0.0.0.0")
    with Tap("127.0.0.1", 1883, bind="0.0.0.0", open_to_network=True) as tap:
        assert tap.port


def test_a_port_in_use_is_said_in_words() -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        with pytest.raises(Trouble, match=f"127.0.0.1:{port}: the port is in use"):
            Tap("127.0.0.1", 1883, port=port).__enter__()


def test_the_last_words_of_a_node_that_resets_are_evidence_and_reach_the_broker(broker: Broker) -> None:
    """A socket closed with bytes unread is reset (RFC 2525 section 2.17); a DISCONNECT before it counts.

    Straight to mosquitto 2.0.11 a third of such clients had their will sent: it fails to write and gives up.
    """
    with Tap(broker.host, broker.port) as tap, subscriber(broker.port, "yard", "w", 0) as watcher:
        for number in range(1, 101):
            with client(tap.port, "north", will=("w", b"off", 0, False)) as node:
                node.send(subscribe("#", 0), *(publish("x", b"1") for _ in range(5)), DISCONNECT)
            assert tap.wait_for_connection(closed(number), TIMEOUT)
        assert watcher.fence() == []
        goodbyes = sum(packet.packet.kind is Kind.DISCONNECT for packet in tap.evidence)
        assert goodbyes == 100


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


def test_the_node_is_connected_until_it_has_closed_its_side(broker: Broker) -> None:
    with Tap(broker.host, broker.port) as tap:
        with client(tap.port, "north"):
            assert tap.conflict == ""
            (one,) = tap.connections
            assert one.closed_by is None
        assert tap.wait_for_connection(closed(1), TIMEOUT)
        (one,) = tap.connections
        assert one.closed_by is ClosedBy.NODE


def test_each_packet_is_waited_for_once_by_its_number(broker: Broker) -> None:
    """A wait looks at what came after the packet that it is told, and never again at one it has refused."""
    with Tap(broker.host, broker.port) as tap, client(tap.port, "north") as node:
        seen: list[int] = []

        def third_ping(packet: LinkPacket) -> bool:
            seen.append(packet.number)
            return sum(tap.evidence[number - 1].packet.kind is Kind.PINGREQ for number in seen) == 3

        def pings() -> None:
            for _ in range(3):
                node.send(PINGREQ)
                node.expect(Kind.PINGRESP)

        pinging = threading.Timer(0.1, pings)
        pinging.start()
        found = tap.wait_for(third_ping, TIMEOUT)
        pinging.join()
        assert found is not None
        assert found.number == seen[-1]
        assert seen == sorted(set(seen))


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


def test_what_is_forgotten_is_gone_and_numbers_stay(broker: Broker) -> None:
    with Tap(broker.host, broker.port) as tap:
        with client(tap.port, "north") as node:
            node.fence()
        assert tap.wait_for_connection(closed(1), TIMEOUT)
        before = tap.evidence
        tap.forget(len(before))
        assert tap.evidence == before
        tap.forget(2)
        assert tap.evidence == before[-2:]
        with client(tap.port, "north") as node:
            node.fence()
        assert tap.wait_for_connection(closed(2), TIMEOUT)
        numbers = [packet.number for packet in tap.evidence]
        assert numbers == list(range(len(before) - 1, len(before) + 5))
