"""The tap's evidence against an independent reader of the same bytes: Wireshark's, on the loopback device."""

from __future__ import annotations

import json
import os
import socket
import subprocess
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from queue import Empty, Queue
from typing import Any

import pytest

from conformance.bench.brokers.broker import Broker
from conformance.bench.tap.tap import Tap
from protocol.wire.evidence import LinkPacket
from protocol.wire.packet import Ack, Connack, Connect, Disconnect, Granted, Kind, Packet, Publish, Subscribe
from tests.bench.wire import DISCONNECT, PINGREQ, client, publish, subscribe, subscriber
from tests.needs import needs

pytestmark = [
    needs("tshark"),
    pytest.mark.skipif(os.geteuid() != 0, reason="NOT TESTED: capturing needs root"),
]
TIMEOUT = 20.0
Shown = dict[str, Any]


class Capture:
    """What tshark has decoded so far, message by message, with the ports each went between."""

    def __init__(self, port: int) -> None:
        loopback = "lo0" if os.uname().sysname == "Darwin" else "lo"
        self.process = subprocess.Popen(
            ["tshark", "-i", loopback, "-l", "-n", "-f", f"tcp port {port}", "-d", f"tcp.port=={port},mqtt",
             "-T", "ek"],
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
        )  # fmt: skip
        self._lines: Queue[str] = Queue()
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            self._lines.put(line)

    def wait_until_it_sees(self, port: int) -> None:
        """Knock until a frame is shown: only then is the capture running."""
        for _ in range(int(TIMEOUT / 0.2)):
            socket.create_connection(("127.0.0.1", port), TIMEOUT).close()
            try:
                self._lines.get(timeout=0.2)
            except Empty:
                continue
            return
        raise TimeoutError("tshark shows nothing")

    def messages(self, least: int, *, until_disconnect: bool = True) -> list[tuple[int, int, Shown]]:
        """At least so many messages with their ports, and all up to the DISCONNECT: frames may change places."""
        found: list[tuple[int, int, Shown]] = []

        def parted() -> bool:
            return any(shown["mqtt_mqtt_msgtype"] == "14" for _, _, shown in found)

        while len(found) < least or (until_disconnect and not parted()):
            layers = json.loads(self._lines.get(timeout=TIMEOUT)).get("layers", {})
            if "mqtt" not in layers:
                continue
            tcp, messages = layers["tcp"], layers["mqtt"]
            several = messages if isinstance(messages, list) else [messages]
            ports = int(tcp["tcp_tcp_srcport"]), int(tcp["tcp_tcp_dstport"])
            found += [(*ports, message) for message in several]
        return found


@contextmanager
def capture(port: int) -> Iterator[Capture]:
    capturing = Capture(port)
    with capturing.process:
        try:
            capturing.wait_until_it_sees(port)
            yield capturing
        finally:
            capturing.process.terminate()
            capturing._reader.join(TIMEOUT)


def as_bytes(shown: Shown, field: str) -> bytes:
    return bytes.fromhex(shown.get(f"mqtt_mqtt_{field}", "").replace(":", ""))


def fields(shown: Shown) -> tuple[object, ...]:
    """What tshark shows, in the form of `ours` below."""

    def text(field: str) -> str:
        return str(shown[f"mqtt_mqtt_{field}"])

    kind = Kind(int(text("msgtype")))
    match kind:
        case Kind.CONNECT:
            will = (text("willtopic"), as_bytes(shown, "willmsg"), int(text("conflag_qos")),
                    shown["mqtt_mqtt_conflag_retain"])  # fmt: skip
            clean = shown["mqtt_mqtt_conflag_cleansess"]
            return kind, int(text("ver")), text("clientid"), clean, int(text("kalive")), will
        case Kind.CONNACK:
            return kind, shown["mqtt_mqtt_conack_flags_sp"], int(text("conack_val"))
        case Kind.PUBLISH:
            number = shown.get("mqtt_mqtt_msgid")
            flags = (int(text("qos")), shown["mqtt_mqtt_retain"], shown["mqtt_mqtt_dupflag"])
            return (
                kind,
                text("topic"),
                as_bytes(shown, "msg"),
                *flags,
                None if number is None else int(number),
            )
        case Kind.SUBSCRIBE:
            return kind, int(text("msgid")), text("topic"), int(text("sub_qos"))
        case Kind.SUBACK:
            return kind, int(text("msgid")), int(text("suback_qos"))
        case Kind.PUBACK:
            return kind, int(text("msgid"))
        case _:
            return (kind,)


def ours(packet: Packet) -> tuple[object, ...]:
    match packet:
        case Connect(level=level, client_id=client_id, will=will):
            assert will is not None
            flags = (will.topic, will.payload, will.qos, will.retain)
            return packet.kind, level, client_id, packet.clean_session, packet.keep_alive, flags
        case Connack():
            return packet.kind, packet.session_present, packet.code
        case Publish():
            flags_ = (packet.qos, packet.retain, packet.dup)
            return packet.kind, packet.topic, packet.payload, *flags_, packet.packet_id
        case Subscribe(subscriptions=(only,)):
            return packet.kind, packet.packet_id, only.filter, only.qos
        case Granted(codes=(code,)):
            return packet.kind, packet.packet_id, code
        case Ack():
            return packet.kind, packet.packet_id
        case Disconnect():
            return (packet.kind,)
        case _:
            return (packet.kind,)


def test_message_for_message_the_same(broker: Broker) -> None:
    with (
        Tap(broker.host, broker.port) as tap,
        capture(tap.port) as capturing,
        subscriber(broker.port, "yard", "y/#", 1) as reader,
        client(tap.port, "north", keep_alive=15, will=("w", b"off", 1, True)) as node,
    ):
        # Several in one segment, one packet over many segments, and one byte by byte.
        node.send(subscribe("y/#", 1, 3), publish("y/1", b"{\0\xff}", 1, packet_id=4), PINGREQ)
        node.send(publish("y/2", bytes(range(256)) * 200, 0, retain=True))
        for byte in publish("y/3", b"slowly", 1, packet_id=5):
            node.send(bytes([byte]))
        for _ in range(3):
            reader.message()
        node.fence()
        # A barrier behind what the broker may still have had in hand for us.
        node.fence()
        node.send(DISCONNECT)
        assert node.closed_within(TIMEOUT)
        evidence = tap.evidence
        shown = capturing.messages(len(evidence))

    def seen(from_node: bool) -> list[LinkPacket]:
        return [packet for packet in evidence if packet.from_node is from_node]

    for from_node in (True, False):
        theirs = [fields(message) for source, _, message in shown if (source != tap.port) is from_node]
        assert [ours(packet.packet) for packet in seen(from_node)] == theirs
    lengths = [int(message["mqtt_mqtt_len"]) for source, _, message in shown if source != tap.port]
    assert [len(p.raw) for p in seen(True)] == [size + (2 if size < 128 else 4) for size in lengths]
