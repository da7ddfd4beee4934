"""paho-mqtt, a client of the field, against both brokers and through the tap."""

from __future__ import annotations

import subprocess
import sys
import threading
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from conformance.bench.brokers.broker import Broker
from conformance.bench.mqtt.packets import V5, V311
from conformance.bench.tap.tap import Tap
from protocol.wire.packet import Connect, Kind, Publish, Unreadable, Will
from tests.bench.wire import subscriber

TIMEOUT = 10.0


def test_the_will_of_a_killed_client_is_delivered(broker: Broker) -> None:
    """MQTT 3.1.1 section 3.1.2.5: its connection was closed without DISCONNECT; killed with SIGKILL."""
    program = Path(__file__).with_name("killed_client.py")
    with subscriber(broker.port, "yard", "yw1/#", 1) as watcher:
        with subprocess.Popen(
            [sys.executable, str(program), str(broker.port)], stdin=subprocess.PIPE, stdout=subprocess.PIPE
        ) as process:
            assert process.stdout is not None
            assert process.stdout.readline() == b"connected\n"
            process.kill()
        will = watcher.message(TIMEOUT)
        assert (will.topic, will.payload) == ("yw1/harlow-basin/north/node-status", b"off")
        assert (will.qos, will.retain) == (1, False)
    with subscriber(broker.port, "late", "yw1/#", 1) as late:
        assert late.message(TIMEOUT).retain


@pytest.mark.parametrize("version", [MQTTProtocolVersion.MQTTv311, MQTTProtocolVersion.MQTTv5])
def test_a_client_through_the_tap(broker: Broker, version: MQTTProtocolVersion) -> None:
    modern = version is MQTTProtocolVersion.MQTTv5
    if modern and broker.name.startswith("embedded"):
        through_the_tap_refused(broker)
        return
    with Tap(broker.host, broker.port) as tap:
        client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="north", protocol=version)
        client.will_set("w", b"off", qos=1, retain=True)
        client.username_pw_set("crane", "secret")
        subscribed, got = threading.Event(), threading.Event()
        messages: list[mqtt.MQTTMessage] = []

        def received(_: object, __: object, message: mqtt.MQTTMessage) -> None:
            messages.append(message)
            got.set()

        def connected(*_: object) -> None:
            client.subscribe("x/#", qos=1)

        client.on_message = received
        client.on_connect = connected
        client.on_subscribe = lambda *_: subscribed.set()
        client.connect("127.0.0.1", tap.port, keepalive=15)
        client.loop_start()
        try:
            assert subscribed.wait(TIMEOUT)
            properties = None
            if modern:
                properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
                properties.UserProperty = [("site", "harlow-basin")]
            client.publish("x/1", b"hello", qos=1, properties=properties).wait_for_publish(TIMEOUT)
            assert got.wait(TIMEOUT)
        finally:
            client.disconnect()
            client.loop_stop()
        assert tap.wait_for(lambda packet: packet.packet.kind is Kind.DISCONNECT, TIMEOUT)
        assert tap.wait_for(lambda packet: packet.packet.kind is Kind.PUBACK and packet.from_node, TIMEOUT)
        seen = [packet.packet for packet in tap.evidence]

    assert not any(isinstance(packet, Unreadable) for packet in seen)
    assert seen[0] == Connect(
        "MQTT", V5 if modern else V311, "north", True, 15, Will("w", b"off", 1, True), "crane", len("secret")
    )
    published = [packet for packet in seen if isinstance(packet, Publish)]
    assert [(one.topic, one.payload, one.qos) for one in published] == [("x/1", b"hello", 1)] * 2
    wanted = {"user-property": (("site", "harlow-basin"),)} if modern else {}
    assert [one.properties for one in published] == [wanted, wanted]
    assert [message.payload for message in messages] == [b"hello"]


def through_the_tap_refused(broker: Broker) -> None:
    """The embedded broker speaks 3.1.1 alone; the refusal is read by both the client and the tap."""
    with Tap(broker.host, broker.port) as tap:
        client = mqtt.Client(
            CallbackAPIVersion.VERSION2, client_id="north", protocol=MQTTProtocolVersion.MQTTv5
        )
        client.connect("127.0.0.1", tap.port)
        client.loop_start()
        answer = tap.wait_for(lambda packet: packet.packet.kind is Kind.CONNACK, TIMEOUT)
        client.disconnect()
        client.loop_stop()
        assert answer is not None
        assert answer.raw == bytes.fromhex("20020001")
