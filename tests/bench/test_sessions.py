"""Sessions and messages over abrupt reconnects: the embedded broker beside mosquitto, the yardstick."""

from __future__ import annotations

import threading

from conformance.bench.brokers.broker import Broker
from protocol.wire.packet import Connack, Granted, Kind
from tests.bench.wire import Closed, Wire, client, connect, publish, subscribe, subscriber

COUNT = 300


def test_a_kept_session_loses_nothing_over_abrupt_ends(broker: Broker) -> None:
    """[MQTT-4.4.0-1], [MQTT-3.1.2-5]: each message of QoS 1 comes at least once, come what may."""
    subscriber(broker.port, "north", "x", clean=False).kill()

    def send_all() -> None:
        with client(broker.port, "yard") as sender:
            for number in range(COUNT):
                sender.send(publish("x", b"%d" % number, 1, packet_id=number + 1))
                sender.expect(Kind.PUBACK)

    sending = threading.Thread(target=send_all)
    sending.start()
    got: set[int] = set()
    while len(got) < COUNT:
        node = client(broker.port, "north", clean=False)
        for _ in range(30):
            if len(got) == COUNT:
                break
            got.add(int(node.message().payload))
        node.kill()
    sending.join()
    assert got == set(range(COUNT))


def test_a_kept_session_is_said_to_be_present(broker: Broker) -> None:
    """[MQTT-3.2.2-2], and [MQTT-3.2.2-1] for a clean one."""
    subscriber(broker.port, "north", "x", clean=False).kill()
    for clean, present in ((False, True), (True, False), (False, False)):
        with Wire(broker.port) as node:
            node.send(connect("north", clean=clean))
            answer = node.expect(Kind.CONNACK)
            assert isinstance(answer, Connack)
            assert answer.session_present is present


def test_greeting_never_waits_for_an_acknowledgement(broker: Broker) -> None:
    """Messages arrive all the time for a client that comes, is sent some, and vanishes without a word."""
    stop = threading.Event()

    def keep_sending() -> None:
        with client(broker.port, "yard") as sender:
            while not stop.is_set():
                sender.send(publish("x", b"1", 1))
                sender.expect(Kind.PUBACK)

    sending = threading.Thread(target=keep_sending)
    sending.start()
    try:
        for _ in range(20):
            node = client(broker.port, "north", clean=False)
            node.send(subscribe("x", 1))
            while not isinstance(node.receive(2.0), Granted):
                pass
            node.kill()
    finally:
        stop.set()
        sending.join()


def test_one_id_contested_by_many_stays_with_one(broker: Broker) -> None:
    """[MQTT-3.1.4-2] under a storm: in the end exactly one connection is open, and it works."""
    nodes = [client(broker.port, "north", clean=number % 2 == 0) for number in range(20)]
    open_ones = []
    for node in nodes[:-1]:
        if node.closed_within(5.0):
            node.sock.close()
        else:
            open_ones.append(node)
    with nodes[-1] as last:
        assert open_ones == []
        last.send(subscribe("x", 0), publish("x", b"1"))
        assert {last.receive().kind, last.receive().kind} == {Kind.SUBACK, Kind.PUBLISH}


def test_many_at_once(broker: Broker) -> None:
    """Forty clients come at the same moment with one id: nobody is left half connected."""
    ready = threading.Barrier(40)
    left: list[Wire] = []

    def come() -> None:
        ready.wait()
        node = Wire(broker.port)
        node.send(connect("north", clean=False))
        try:
            node.expect(Kind.CONNACK)
            if not node.closed_within(1.5):
                left.append(node)
                return
        except Closed:
            pass
        node.sock.close()

    threads = [threading.Thread(target=come) for _ in range(40)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    for node in left:
        node.fence()
        node.sock.close()
    assert len(left) == 1
