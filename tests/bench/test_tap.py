"""The tap between real clients and real brokers: what passes, and what it knows of it."""

from __future__ import annotations

import socket
import threading

import pytest

from conformance.bench.brokers.broker import Broker
from conformance.bench.tap.tap import Tap
from protocol.trouble import Trouble
from protocol.wire.evidence import ClosedBy, Fate, LinkPacket
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
from tests.bench.tap_traffic import TIMEOUT, closed
from tests.bench.wire import (
    DISCONNECT,
    PINGREQ,
    Wire,
    client,
    connect,
    publish,
    subscribe,
    subscriber,
)


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
