"""One test for each defect of amqtt 0.12.1 that the embedded broker fixes.

Every check runs twice: it must pass on the embedded broker, and fail on amqtt as it comes, so that a patch
which a later version no longer needs, or a check that cannot fail, shows. Rules are those of MQTT 3.1.1.
"""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from amqtt.contexts import BrokerConfig

from conformance.bench.brokers.embedded import EmbeddedBroker
from conformance.bench.mqtt.framing import encode_length
from protocol.wire.packet import Connack, Granted, Kind
from tests.bench.wire import (
    DISCONNECT,
    PINGREQ,
    Closed,
    Wire,
    client,
    connect,
    publish,
    send_acknowledged,
    subscribe,
    subscriber,
)

SOON = 2.0
Check = Callable[[int], None]


def keep_alive_is_enforced(port: int) -> None:
    """[MQTT-3.1.2-24]: one and a half times the keep-alive of silence, and the client is as good as gone."""
    with (
        subscriber(port, "yard", "#") as watcher,
        client(port, "north", keep_alive=1, will=("w", b"off", 1, False)) as silent,
    ):
        start = time.monotonic()
        assert silent.closed_within(3.0)
        assert 1.4 <= time.monotonic() - start <= 2.5
        assert watcher.message(SOON).payload == b"off"


def trickled_bytes_are_silence(port: int) -> None:
    """[MQTT-3.1.2-24] counts control packets: half of one does not keep a client alive."""
    with client(port, "north", keep_alive=1) as silent:
        silent.send(PINGREQ[:1])
        assert silent.closed_within(3.0)


def second_client_closes_the_first(port: int) -> None:
    """[MQTT-3.1.4-2], and the first one's will is sent, as it went without DISCONNECT (section 3.1.2.5)."""
    with (
        subscriber(port, "yard", "w/#") as watcher,
        client(port, "north", will=("w/old", b"old", 1, False)) as first,
        client(port, "north", will=("w/new", b"new", 1, False)) as second,
    ):
        assert first.closed_within(SOON)
        assert watcher.message(SOON).payload == b"old"
        second.send(subscribe("x", 0))
        second.expect(Kind.SUBACK)
        send_acknowledged(watcher, "x", b"1")
        assert second.message(SOON).payload == b"1"


def second_client_closes_the_first_of_a_kept_session(port: int) -> None:
    """The same with clean session 0, where amqtt sends the will of the newcomer and then forgets it lives."""
    with (
        subscriber(port, "yard", "w/#") as watcher,
        client(port, "north", clean=False, will=("w/old", b"old", 1, False)) as first,
    ):
        first.send(subscribe("x", 1))
        first.expect(Kind.SUBACK)
        with client(port, "north", clean=False, will=("w/new", b"new", 1, False)) as second:
            assert first.closed_within(SOON)
            assert watcher.message(SOON).payload == b"old"
            send_acknowledged(watcher, "x", b"1")
            assert second.message(SOON).payload == b"1"


def delivered_qos_is_the_lower(port: int) -> None:
    """Section 3.8.4 and 4.3: the minimum of what was published and what was granted."""
    with subscriber(port, "yard", "x/#", 1) as high, subscriber(port, "page", "x/#", 0) as low:
        high.send(publish("x/0", b"0", 0), publish("x/1", b"1", 1))
        high.expect(Kind.PUBACK)
        assert [high.message(SOON).qos for _ in range(2)] == [0, 1]
        assert [low.message(SOON).qos for _ in range(2)] == [0, 0]


def retained_qos_is_the_lower(port: int) -> None:
    """The same for a retained message."""
    with client(port, "north") as sender:
        sender.send(publish("x", b"0", 0, retain=True))
        sender.fence()
        with subscriber(port, "yard", "x", 1) as late:
            got = late.message(SOON)
            assert (got.qos, got.retain) == (0, True)


def will_qos_is_the_lower(port: int) -> None:
    """The same for a will."""
    with subscriber(port, "yard", "w", 0) as watcher:
        client(port, "north", will=("w", b"off", 1, False)).kill()
        assert watcher.message(SOON).qos == 0


def nothing_stray_is_sent_on_connect(port: int) -> None:
    """[MQTT-3.3.1-6]: retained messages answer a client's own subscription, not somebody else's."""
    with subscriber(port, "yard", "x/#") as other:
        send_acknowledged_retained(port)
        assert other.message(SOON).payload == b"kept"
        with client(port, "ferry") as newcomer:
            assert newcomer.fence() == []


def send_acknowledged_retained(port: int) -> None:
    with client(port, "north") as sender:
        send_acknowledged(sender, "x/1", b"kept", retain=True)


def wildcard_publish_closes(port: int) -> None:
    """[MQTT-3.3.2-2] is a protocol violation; [MQTT-4.8.0-1] closes the connection, and the will is sent."""
    with (
        subscriber(port, "yard", "w") as watcher,
        client(port, "north", will=("w", b"off", 1, False)) as wrong,
    ):
        wrong.send(publish("x/+/y", b"1"))
        assert wrong.closed_within(SOON)
        assert watcher.message(SOON).payload == b"off"


def dollar_publish_closes(port: int) -> None:
    """Section 4.7.2: a client cannot use topics with a leading $; amqtt leaves a dead connection open."""
    with client(port, "north") as wrong:
        wrong.send(publish("$x", b"1"))
        assert wrong.closed_within(SOON)


def oversize_publish_closes(port: int) -> None:
    """A size is not in the standard: common practice, no published source. Nothing is collected first."""
    with client(port, "north") as wrong:
        wrong.send(b"\x30" + encode_length(200_000), b"\0\1x")
        assert wrong.closed_within(SOON)


def first_packet_must_be_connect(port: int) -> None:
    """[MQTT-3.1.0-1], [MQTT-4.8.0-1]."""
    with Wire(port) as wrong:
        wrong.send(PINGREQ)
        assert wrong.closed_within(SOON)


def second_subscription_replaces_the_first(port: int) -> None:
    """[MQTT-3.8.4-3]: with its QoS."""
    with subscriber(port, "yard", "x", 0) as reader:
        reader.send(subscribe("x", 1))
        granted = reader.expect(Kind.SUBACK)
        assert isinstance(granted, Granted)
        with client(port, "north") as sender:
            send_acknowledged(sender, "x", b"1")
        assert reader.message(SOON).qos == 1


def last_words_are_heard(port: int) -> None:
    """Messages in front of a DISCONNECT were published all the same (section 4.6 keeps their order)."""
    with subscriber(port, "yard", "x") as reader, client(port, "north") as sender:
        sender.send(*(publish("x", b"%d" % number) for number in range(100)), DISCONNECT)
        assert [reader.message(SOON).payload for _ in range(100)] == [b"%d" % n for n in range(100)]


def last_words_are_heard_without_disconnect(port: int) -> None:
    """The same before the end of the stream, and the will comes behind them."""
    with subscriber(port, "yard", "#") as reader:
        with client(port, "north", will=("w", b"off", 0, False)) as sender:
            sender.send(*(publish("x", b"%d" % number) for number in range(50)))
        got = [reader.message(SOON).payload for _ in range(51)]
        assert got == [*(b"%d" % n for n in range(50)), b"off"]


def disconnect_right_behind_connect_voids_the_will(port: int) -> None:
    """[MQTT-3.1.2-10], all in one TCP segment."""
    with subscriber(port, "yard", "#") as watcher:
        with Wire(port) as hasty:
            hasty.send(connect("north", will=("w", b"off", 0, False)), DISCONNECT)
            assert hasty.closed_within(SOON)
        assert watcher.fence() == []


def kept_session_gets_live_messages_unretained(port: int) -> None:
    """[MQTT-3.3.1-9], for messages that waited while the client was away ([MQTT-3.1.2-5])."""
    with subscriber(port, "north", "x", clean=False) as away:
        away.send(DISCONNECT)
        assert away.closed_within(SOON)
    with client(port, "yard") as sender:
        send_acknowledged(sender, "x", b"1")
    with client(port, "north", clean=False) as back:
        got = back.message(SOON)
        assert (got.payload, got.retain) == (b"1", False)


def clean_session_is_not_inherited(port: int) -> None:
    """[MQTT-3.1.2-6]: state of a clean session is never reused in a later one."""
    with subscriber(port, "north", "x", clean=True) as before:
        before.send(DISCONNECT)
        assert before.closed_within(SOON)
    with client(port, "north", clean=False) as after, client(port, "yard") as sender:
        send_acknowledged(sender, "x", b"1")
        assert after.fence() == []


def new_will_brings_its_own_retain_flag(port: int) -> None:
    """[MQTT-3.1.2-17] in a kept session whose earlier will was not retained."""
    with client(port, "north", clean=False, will=("w", b"1", 0, False)) as first:
        first.send(DISCONNECT)
        assert first.closed_within(SOON)
    with subscriber(port, "yard", "w") as watcher:
        client(port, "north", clean=False, will=("w", b"2", 0, True)).kill()
        assert watcher.message(SOON).payload == b"2"
        with subscriber(port, "late", "w") as late:
            assert late.message(SOON).retain


CHECKS: list[Check] = [
    keep_alive_is_enforced,
    trickled_bytes_are_silence,
    second_client_closes_the_first,
    second_client_closes_the_first_of_a_kept_session,
    delivered_qos_is_the_lower,
    retained_qos_is_the_lower,
    will_qos_is_the_lower,
    nothing_stray_is_sent_on_connect,
    wildcard_publish_closes,
    dollar_publish_closes,
    oversize_publish_closes,
    first_packet_must_be_connect,
    second_subscription_replaces_the_first,
    last_words_are_heard,
    last_words_are_heard_without_disconnect,
    disconnect_right_behind_connect_voids_the_will,
    kept_session_gets_live_messages_unretained,
    clean_session_is_not_inherited,
    new_will_brings_its_own_retain_flag,
]
names = [check.__name__ for check in CHECKS]


@contextmanager
def amqtt_as_it_comes() -> Iterator[int]:
    """Its port. It leaks sockets and tasks, so it gets a process of its own."""
    program = Path(__file__).with_name("amqtt_as_it_comes.py")
    with subprocess.Popen(
        [sys.executable, "-W", "ignore", str(program)],
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
    ) as process:
        try:
            assert process.stdout is not None
            yield int(process.stdout.readline())
        finally:
            process.kill()


@pytest.mark.parametrize("check", CHECKS, ids=names)
def test_embedded_broker_is_right(check: Check) -> None:
    with EmbeddedBroker() as broker:
        check(broker.port)


def repeatedly(check: Check, port: int) -> None:
    """Some defects are races, which now and then end well."""
    for _ in range(20):
        check(port)


RACES = (clean_session_is_not_inherited,)
"""Defects of amqtt that show only now and then: nothing follows from a run in which they do not."""


@pytest.mark.parametrize("check", [check for check in CHECKS if check not in RACES])
def test_amqtt_as_it_comes_is_not(check: Check) -> None:
    with (
        amqtt_as_it_comes() as port,
        pytest.raises((AssertionError, TimeoutError, Closed)),
    ):
        repeatedly(check, port)


def stall(port: int) -> tuple[Wire, Wire]:
    """A subscriber that reads nothing more, and so much for it that the broker cannot get rid of it."""
    stalled = subscriber(port, "page", "x", 0, receive_buffer=4096)
    sender = client(port, "north")
    block = publish("x", bytes(60_000))
    for _ in range(200):
        sender.send(block)
    sender.fence()
    return stalled, sender


def test_shutdown_does_not_wait_for_a_stalled_subscriber() -> None:
    """amqtt as it comes was seen to hang here on Python 3.12.1, and to end on 3.11.7 and 3.13.0."""
    broker = EmbeddedBroker()
    with broker:
        stalled, sender = stall(broker.port)
        start = time.monotonic()
    assert time.monotonic() - start < 3.0
    with stalled, sender:
        assert sender.closed_within(SOON)
    with pytest.raises(ConnectionRefusedError):
        Wire(broker.port)


def test_a_client_with_an_endless_backlog_is_cut_off(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("conformance.bench.brokers.amqtt_fixed.LONGEST_BACKLOG", 100)
    with EmbeddedBroker() as broker, subscriber(broker.port, "yard", "w") as watcher:
        will = ("w", b"off", 0, False)
        stalled = subscriber(broker.port, "page", "x", 0, receive_buffer=4096, will=will)
        with stalled, client(broker.port, "north") as sender:
            block = publish("x", bytes(60_000))
            for _ in range(300):
                sender.send(block)
            assert watcher.message().payload == b"off"


def test_connecting_without_a_word_ends(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("conformance.bench.brokers.amqtt_streams.CONNECT_TIMEOUT", 0.2)
    with EmbeddedBroker() as broker, Wire(broker.port) as mute:
        assert mute.closed_within(SOON)


def test_it_listens_on_loopback_alone_and_says_nothing_by_itself() -> None:
    """As it comes amqtt listens on 0.0.0.0 and publishes $SYS topics every 20 s by a plugin."""
    with EmbeddedBroker() as broker:
        assert broker._broker is not None
        sockets = broker._broker._servers["default"].instance.sockets
        assert [sock.getsockname()[0] for sock in sockets] == ["127.0.0.1"]
        assert broker._broker.plugins_manager.plugins == []
        assert not broker._broker.retained_messages
    assert BrokerConfig().listeners["default"].bind.startswith("0.0.0.0")
    assert BrokerConfig().plugins


def test_refused_credentials_do_not_end_the_session_of_the_right_client() -> None:
    """Return code 4 (table 3.1). amqtt takes the old session down before it looks at the password."""
    with (
        EmbeddedBroker(users={"north": "secret"}) as broker,
        client(broker.port, "north", login=("north", "secret")) as right,
    ):
        for login in (("north", "wrong"), ("south", "secret"), None):
            with Wire(broker.port) as wrong:
                wrong.send(connect("north", login=login))
                refusal = wrong.expect(Kind.CONNACK)
                assert isinstance(refusal, Connack)
                assert refusal.code == 4
                assert wrong.closed_within(SOON)
        assert right.fence() == []


def test_a_connect_that_is_no_mqtt_is_closed() -> None:
    """[MQTT-3.1.4-1]."""
    with EmbeddedBroker() as broker, Wire(broker.port) as wrong:
        wrong.send(connect("north").replace(b"MQTT", b"MQTX"))
        assert wrong.closed_within(SOON)


def test_mqtt_5_is_refused_in_words() -> None:
    """[MQTT-3.1.2-2]: return code 1, and the connection is closed."""
    with EmbeddedBroker() as broker, Wire(broker.port) as modern:
        modern.send(connect("north", level=5))
        refusal = modern.expect(Kind.CONNACK)
        assert isinstance(refusal, Connack)
        assert refusal.code == 1
        assert modern.closed_within(SOON)


def test_kept_session_gets_again_what_it_did_not_acknowledge() -> None:
    """[MQTT-4.4.0-1]."""
    with EmbeddedBroker() as broker:
        with (
            subscriber(broker.port, "north", "x", clean=False) as lost,
            client(broker.port, "yard") as sender,
        ):
            send_acknowledged(sender, "x", b"1")
            lost.expect(Kind.PUBLISH)
            lost.kill()
        with client(broker.port, "north", clean=False) as back:
            assert back.message(SOON).payload == b"1"
