"""A client for tests that does exactly what it is told, one packet at a time, over a plain socket."""

from __future__ import annotations

import socket
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, Self

from conformance.bench.mqtt.framing import Splitter, binary, packet, string
from conformance.bench.mqtt.packets import decode
from conformance.bench.tap.node_socket import reset_at_close
from protocol.wire.packet import Ack, Granted, Kind, Packet, Publish

TIMEOUT = 5.0


def connect(
    client_id: str,
    *,
    clean: bool = True,
    keep_alive: int = 0,
    will: tuple[str, bytes, int, bool] | None = None,
    login: tuple[str, str] | None = None,
    level: int = 4,
) -> bytes:
    """CONNECT; `will` is topic, payload, QoS, retain."""
    flags = 0x02 if clean else 0
    payload = string(client_id)
    if will is not None:
        topic, message, qos, retain = will
        flags |= 0x04 | qos << 3 | (0x20 if retain else 0)
        payload += string(topic) + binary(message)
    if login is not None:
        flags |= 0xC0
        payload += string(login[0]) + string(login[1])
    none = b"\0" if level == 5 else b""
    return packet(
        0x10, string("MQTT") + bytes([level, flags]) + keep_alive.to_bytes(2, "big") + none + payload
    )


def publish(topic: str, payload: bytes, qos: int = 0, *, retain: bool = False, packet_id: int = 1) -> bytes:
    number = packet_id.to_bytes(2, "big") if qos else b""
    return packet(0x30 | qos << 1 | retain, string(topic) + number + payload)


def subscribe(topic_filter: str, qos: int, packet_id: int = 1) -> bytes:
    return packet(0x82, packet_id.to_bytes(2, "big") + string(topic_filter) + bytes([qos]))


PINGREQ = packet(0xC0, b"")
DISCONNECT = packet(0xE0, b"")


class Closed(Exception):
    """The other side closed the connection."""


class Wire:
    """One TCP connection; packets are sent raw and come back decoded."""

    def __init__(self, port: int, host: str = "127.0.0.1", *, receive_buffer: int | None = None) -> None:
        self.sock = socket.socket()
        if receive_buffer is not None:
            self.sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, receive_buffer)
        self.sock.settimeout(TIMEOUT)
        self.sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        try:
            self.sock.connect((host, port))
        except OSError:
            self.sock.close()
            raise
        self._splitter = Splitter()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.sock.close()

    def send(self, *raw: bytes) -> None:
        self.sock.sendall(b"".join(raw))

    def receive(self, timeout: float = TIMEOUT) -> Packet:
        """The next packet. Raises Closed at the end of the stream, TimeoutError when nothing comes."""
        end = time.monotonic() + timeout
        while (raw := self._splitter.next_packet()) is None:
            self.sock.settimeout(max(0.001, end - time.monotonic()))
            try:
                chunk = self.sock.recv(65_536)
            except ConnectionResetError:
                raise Closed from None
            if not chunk:
                raise Closed
            self._splitter.feed(chunk)
        return decode(raw)

    def expect(self, kind: Kind, timeout: float = TIMEOUT) -> Packet:
        got = self.receive(timeout)
        assert got.kind is kind, f"wanted {kind.name}, got {got}"
        return got

    def message(self, timeout: float = TIMEOUT) -> Publish:
        """The next PUBLISH, acknowledged when it asks for it."""
        got = self.receive(timeout)
        assert isinstance(got, Publish), got
        if got.qos == 1 and got.packet_id is not None:
            self.send(packet(0x40, got.packet_id.to_bytes(2, "big")))
        return got

    def closed_within(self, timeout: float) -> bool:
        """Whether the other side closes; packets before that are thrown away."""
        end = time.monotonic() + timeout
        try:
            while True:
                self.receive(end - time.monotonic())
        except Closed:
            return True
        except TimeoutError:
            return False

    def fence(self) -> list[Packet]:
        """Everything that came before the answer to a PINGREQ sent now."""
        self.send(PINGREQ)
        got = []
        while (one := self.receive()).kind is not Kind.PINGRESP:
            got.append(one)
        return got

    def kill(self) -> None:
        """Vanish with a reset, as a killed process with unread data does."""
        reset_at_close(self.sock)
        self.sock.close()


@contextmanager
def kept_if_all_went_well(wire: Wire) -> Iterator[Wire]:
    try:
        yield wire
    except BaseException:
        wire.sock.close()
        raise


def client(port: int, client_id: str, *, receive_buffer: int | None = None, **options: Any) -> Wire:
    """A connection that has been accepted."""
    with kept_if_all_went_well(Wire(port, receive_buffer=receive_buffer)) as wire:
        wire.send(connect(client_id, **options))
        wire.expect(Kind.CONNACK)
        return wire


def subscriber(port: int, client_id: str, topic_filter: str, qos: int = 1, **options: Any) -> Wire:
    """A connection that has been granted one subscription."""
    with kept_if_all_went_well(client(port, client_id, **options)) as wire:
        wire.send(subscribe(topic_filter, qos))
        granted = wire.expect(Kind.SUBACK)
        assert isinstance(granted, Granted)
        assert granted.codes == (qos,)
        return wire


def send_acknowledged(wire: Wire, topic: str, payload: bytes, *, retain: bool = False) -> None:
    """Publish at QoS 1 and wait for the PUBACK: the broker has it."""
    wire.send(publish(topic, payload, 1, retain=retain, packet_id=77))
    got = wire.expect(Kind.PUBACK)
    assert isinstance(got, Ack)
    assert got.packet_id == 77
