"""The MQTT host: connects, subscribes, publishes in order, ticks in time, and comes back by itself."""

from __future__ import annotations

import itertools
import socket
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager

import pytest

from conformance.bench.brokers.broker import Broker, start_broker
from conformance.bench.tap.tap import Tap
from protocol.participant import Delivery, Participant, Publication
from protocol.trouble import Trouble
from protocol.wire.evidence import LinkPacket
from protocol.wire.mqtt import MqttHost
from protocol.wire.packet import Connect, Disconnect, Kind, Publish
from tests.needs import needs
from tests.wire.people import Listener, Node, PoliteNode

Target = tuple[Broker, int]


@contextmanager
def hosting(participant: Participant, broker: Broker | Tap, version: int = 311) -> Iterator[MqttHost]:
    host = MqttHost(participant, broker.host, broker.port, version=version)
    host.start()
    try:
        yield host
    finally:
        host.stop()


@contextmanager
def tapped(participant: Participant, target: Target) -> Iterator[tuple[Tap, MqttHost]]:
    broker, version = target
    with Tap(broker.host, broker.port) as tap, hosting(participant, tap, version) as host:
        yield tap, host


def sent_kinds(tap: Tap) -> list[Kind | None]:
    return [one.packet.kind for one in tap.evidence if one.from_node]


def is_publish(payload: bytes) -> Callable[[LinkPacket], bool]:
    return lambda one: isinstance(one.packet, Publish) and one.packet.payload == payload


# ---------------------------------------------------------------- connecting
def test_connect_subscribe_then_status(broker_and_version: Target) -> None:
    """[LNK-01], [LNK-07], [LNK-08]: clean, subscribed before the first message, the status first."""
    with tapped(Node(), broker_and_version) as (tap, _):
        assert tap.wait_for(is_publish(b"still"), 10)
        kinds = [kind for kind in sent_kinds(tap) if kind is not Kind.PUBACK]
        assert kinds == [Kind.CONNECT, Kind.SUBSCRIBE, Kind.PUBLISH, Kind.PUBLISH]
        connect, *_, first, second = [
            one.packet for one in tap.evidence if one.from_node and one.packet.kind is not Kind.PUBACK
        ]
        assert isinstance(connect, Connect)
        assert connect.clean_session
        assert connect.level == (5 if broker_and_version[1] == 5 else 4)
        assert "session-expiry-interval" not in connect.properties  # v5 section 3.1.2.11.2: absent means 0
        assert connect.will is not None
        assert (connect.will.payload, connect.will.retain) == (b"off 1", True)
        assert isinstance(first, Publish)
        assert isinstance(second, Publish)
        assert (first.payload, first.retain, first.qos) == (b"on 1", True, 1)
        assert second.payload == b"still"


def test_an_order_is_answered_in_order_and_soon(broker_and_version: Target) -> None:
    broker, version = broker_and_version
    subscriber = Listener("ear", ("north/#", 1))
    with (
        hosting(subscriber, broker, version),
        hosting(Node(), broker, version),
        hosting(Listener("hand", ("nothing", 0)), broker, version) as hand,
    ):
        assert hand.call(lambda _, __: [Publication("north/order", b"%d" % n, 1, False) for n in range(100)])
        assert subscriber.wait_for(lambda one: one.topic == "north/report" and one.payload == b"99")
    assert subscriber.payloads("north/report") == [b"%d" % n for n in range(100)]


def test_retained_status_comes_with_the_flag_and_live_ones_without(broker_and_version: Target) -> None:
    """[MQTT-3.3.1-8] and [MQTT-3.3.1-9], as the virtual bus has it."""
    broker, version = broker_and_version
    early, late = Listener("early", ("north/status", 1)), Listener("late", ("north/status", 1))
    with hosting(early, broker, version), hosting(Node(), broker, version):
        assert early.wait_for_payload(b"on 1")
        with hosting(late, broker, version):
            assert late.wait_for_payload(b"on 1")
    assert [one.retain for one in early.heard] == [False]
    assert [one.retain for one in late.heard] == [True]


# ---------------------------------------------------------------- wills and ends
def test_the_will_comes_when_the_process_dies(broker_and_version: Target) -> None:
    """[MQTT-3.1.2-8]: the connection was closed without DISCONNECT."""
    broker, version = broker_and_version
    subscriber = Listener("ear", ("north/status", 1))
    with hosting(subscriber, broker, version):
        host = MqttHost(Node(), broker.host, broker.port, version=version)
        host.start()
        assert subscriber.wait_for_payload(b"on 1")
        host.stop(graceful=False)
        assert subscriber.wait_for_payload(b"off 1")


def test_parting_then_disconnect_and_no_will(broker_and_version: Target) -> None:
    """[LNK-16], [MQTT-3.1.2-10]: what comes after the end is not the will but the next live message."""
    broker, version = broker_and_version
    subscriber = Listener("ear", ("#", 1))
    with hosting(subscriber, broker, version) as hand, Tap(broker.host, broker.port) as tap:
        with hosting(PoliteNode(), tap, version):
            assert subscriber.wait_for_payload(b"still")
        assert tap.wait_for(lambda one: one.from_node and isinstance(one.packet, Disconnect), 10)
        assert tap.wait_for_connection(lambda one: one.closed_us is not None, 10)
        hand.call(lambda _, __: [Publication("end", b"end", 1, False)])
        assert subscriber.wait_for_payload(b"end")
    assert subscriber.payloads("north/status") == [b"on 1", b"off 1"]
    assert sent_kinds(tap)[-1] is Kind.DISCONNECT


def test_takeover_sends_the_will_of_the_old_connection(broker_and_version: Target) -> None:
    """[MQTT-3.1.4-2]: the old one is thrown off, and comes back by itself later."""
    broker, version = broker_and_version
    subscriber = Listener("ear", ("north/status", 1))
    old, new = Node(), Node()
    new.connections = 10  # so that its messages can be told apart
    with hosting(subscriber, broker, version), hosting(old, broker, version) as host:
        assert subscriber.wait_for_payload(b"on 1")
        second = MqttHost(new, broker.host, broker.port, version=version)
        second.start()
        assert host.wait_down(10)
        assert subscriber.wait_for_payload(b"on 11")
        second.stop(graceful=False)
        assert host.wait_up(20)
        assert subscriber.wait_for_payload(b"on 2")
    said = subscriber.payloads("north/status")
    assert said.index(b"off 1") > said.index(b"on 1")
    assert len(old.downs) >= 1


def test_reconnects_by_itself_with_a_new_will(broker_and_version: Target) -> None:
    """[LNK-04], [LNK-10]: subscribed again, status first, the will of the new connection."""
    node = Node()
    with tapped(node, broker_and_version) as (tap, host):
        assert tap.wait_for(is_publish(b"still"), 10)
        tap.cut()
        found = tap.wait_for(lambda one: one.connection == 2 and is_publish(b"still")(one), 20)
        assert found is not None
        assert host.wait_up(10)
        again = [one.packet for one in tap.evidence if one.from_node and one.connection == 2]
        connect, first = again[0], next(one for one in again if isinstance(one, Publish))
        assert isinstance(connect, Connect)
        assert connect.will is not None
        assert connect.will.payload == b"off 2"
        assert first.payload == b"on 2"
        book = tap.connections
        assert book[0].closed_us is not None
        assert 500 <= (book[1].opened_us - book[0].closed_us) / 1000 <= 10_000
        assert (len(node.ups), len(node.downs)) == (2, 1)


def test_waits_grow_while_nobody_answers(broker_and_version: Target) -> None:
    """[LNK-10]: each wait longer than the last; the will is asked for real connections only, ticks go on."""
    node = Node(every_ms=50)
    with tapped(node, broker_and_version) as (tap, host):
        assert tap.wait_for(is_publish(b"still"), 10)
        tap.refuse()
        tap.cut()
        assert host.wait_down(10)
        cut_at = len(node.ticks)
        assert tap.wait_for_connection(lambda one: one.number == 3, 20)
        tap.refuse(False)
        assert host.wait_up(20)
        assert len(node.ticks) > cut_at + 20
        opened = [one.opened_us for one in tap.connections]
        gaps = [later - earlier for earlier, later in itertools.pairwise(opened)]
        assert all(gap >= 500_000 for gap in gaps)
        assert gaps == sorted(gaps)


def test_pings_within_the_keep_alive(broker_and_version: Target) -> None:
    """[LNK-03], [MQTT-3.1.2-23]."""
    with tapped(Listener("ear", keep_alive_s=2), broker_and_version) as (tap, _):
        start = len(tap.evidence)
        assert tap.wait_for(lambda one: one.packet.kind is Kind.PINGREQ, 10, start)
        assert tap.wait_for(lambda one: one.packet.kind is Kind.PINGRESP, 10, start)
        sent = [one.at_us for one in tap.evidence if one.from_node]
        assert max(later - earlier for earlier, later in itertools.pairwise(sent)) <= 2_000_000


# ---------------------------------------------------------------- ticks and calls
def test_ticks_are_on_time() -> None:
    """Late by some milliseconds at most, median over 100; the broker is not needed for it."""
    node = Node(every_ms=10)
    late: list[int] = []
    enough = threading.Event()

    class Watched(Node):
        def tick(self, now_ms: int) -> Sequence[Publication]:
            assert self.due_ms is not None
            late.append(now_ms - self.due_ms)
            if len(late) == 100:
                enough.set()
            return super().tick(now_ms)

    node = Watched(every_ms=10)
    host = MqttHost(node, "127.0.0.1", 9)
    host.start(wait_s=None)
    assert enough.wait(20)
    host.stop()
    assert sorted(late)[50] <= 5


def test_a_call_runs_on_the_host_thread_and_its_error_comes_back(broker_and_version: Target) -> None:
    broker, version = broker_and_version
    with hosting(Node(), broker, version) as host:
        names: list[str] = []

        def note(participant: Participant, now_ms: int) -> Sequence[Publication]:
            names.append(threading.current_thread().name)
            return []

        assert host.call(note)
        assert names == ["mqtt north"]

        def fail(participant: Participant, now_ms: int) -> Sequence[Publication]:
            raise ZeroDivisionError

        with pytest.raises(ZeroDivisionError):
            host.call(fail)
        assert host.is_up
    with pytest.raises(RuntimeError, match="does not run"):
        host.call(lambda _, __: [])


def test_a_fault_in_the_participant_ends_the_host_and_is_told(broker_and_version: Target) -> None:
    """It dies like a controller that crashed: no DISCONNECT, so the broker sends the will."""

    class Faulty(Node):
        def receive(self, delivery: Delivery, now_ms: int) -> Sequence[Publication]:
            raise KeyError("box")

    broker, version = broker_and_version
    subscriber = Listener("ear", ("north/status", 1))
    with hosting(subscriber, broker, version) as hand:
        host = MqttHost(Faulty(), broker.host, broker.port, version=version)
        host.start()
        hand.call(lambda _, __: [Publication("north/order", b"go", 1, False)])
        assert subscriber.wait_for_payload(b"off 1")
        with pytest.raises(KeyError, match="box"):
            host.stop()


# ---------------------------------------------------------------- trouble
def free_port() -> int:
    with socket.socket() as sock:
        sock.bind(("127.0.0.1", 0))
        return int(sock.getsockname()[1])


def test_no_broker_is_told() -> None:
    port = free_port()
    with pytest.raises(Trouble, match=rf"127\.0\.0\.1:{port}: nothing listens there"):
        MqttHost(Node(), "127.0.0.1", port).start()


def test_an_unknown_host_is_told() -> None:
    """'.invalid' is reserved and never resolves (RFC 2606 section 2)."""
    with pytest.raises(Trouble, match="there is no host"):
        MqttHost(Node(), "nowhere.invalid", 1883).start(30)


def test_silence_is_told() -> None:
    with socket.create_server(("127.0.0.1", 0)) as server, pytest.raises(Trouble, match="did not answer"):
        MqttHost(Node(), "127.0.0.1", server.getsockname()[1]).start(0.2)


@pytest.mark.parametrize("version", [311, 5])
@needs("mosquitto")
def test_refused_credentials_are_told(version: int) -> None:
    with start_broker("mosquitto", users={"north": "right"}) as broker:
        host = MqttHost(Node(), broker.host, broker.port, user="north", password="wrong", version=version)
        with pytest.raises(Trouble, match=r"refuses the user name or password|not authorise"):
            host.start()
        host = MqttHost(Node(), broker.host, broker.port, user="north", password="right", version=version)
        host.start()
        host.stop()


def test_a_broker_without_version_5_is_told() -> None:
    with start_broker("embedded") as broker, pytest.raises(Trouble) as caught:
        MqttHost(Node(), broker.host, broker.port, version=5).start()
    assert f"{broker.host}:{broker.port}" in str(caught.value)


def test_a_host_may_start_before_its_broker(monkeypatch: pytest.MonkeyPatch) -> None:
    """[LNK-10]: a controller that is switched on first waits for the broker."""
    with ExitStack() as stack:
        port = free_port()
        node = Node()
        host = MqttHost(node, "127.0.0.1", port)
        host.start(wait_s=None)
        stack.callback(host.stop)
        assert not host.wait_up(0.1)
        stack.enter_context(start_broker("embedded", port=port))
        assert host.wait_up(20)
        assert node.connections == 1


def test_stopping_twice_and_stopping_what_never_ran() -> None:
    MqttHost(Node(), "127.0.0.1", 1).stop()
    with start_broker("embedded") as broker:
        host = MqttHost(Node(), broker.host, broker.port)
        host.start()
        host.stop()
        host.stop()


def test_stopping_does_not_wait_for_a_silent_broker() -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        host = MqttHost(Node(), "127.0.0.1", server.getsockname()[1])
        host.start(wait_s=None)
        began = time.monotonic()
        host.stop()
        assert time.monotonic() - began < 3
