"""Asking a broker whether it lets us in: one CONNECT, one CONNACK, and words for whatever else happens."""

from __future__ import annotations

import secrets
import socket
from collections.abc import Iterator
from contextlib import contextmanager, suppress

from conformance.bench.connection.address import Address
from conformance.bench.mqtt.framing import Malformed, Splitter, binary, packet, string
from conformance.bench.mqtt.packets import V5, decode
from protocol.trouble import Trouble
from protocol.wire.connect_trouble import trouble_of, unanswered
from protocol.wire.dial import dial
from protocol.wire.endpoint import Endpoint
from protocol.wire.packet import Connack
from protocol.wire.refusals import refused

OTHER_PORT = "Check that host and port are those of an MQTT broker, and whether it wants mqtts://"


def connect_packet(client_id: str, *, level: int, user: str | None, password: str | None) -> bytes:
    """Build a CONNECT with a clean session and a keep-alive of 10 s (MQTT 3.1.1 section 3.1)."""
    flags = 0x02 | (0x80 if user is not None else 0) | (0x40 if password is not None else 0)
    body = string("MQTT") + bytes([level, flags]) + (10).to_bytes(2, "big")
    body += b"\0" if level >= V5 else b""  # no properties
    body += string(client_id)
    body += b"" if user is None else string(user)
    body += b"" if password is None else binary(password.encode())
    return packet(0x10, body)


def probe(address: Address, *, level: int = 4) -> None:
    """Connect to a broker, be accepted, and leave again. Raises Trouble that says why not."""
    with admitted(address, level=level):
        pass


@contextmanager
def admitted(address: Address, *, level: int = 4) -> Iterator[socket.socket]:
    """A connection that was accepted; it is left in peace at the end. Raises Trouble that says why not."""
    endpoint = address.endpoint()
    with dial(endpoint) as sock:
        # A password without a user name is not allowed in MQTT 3.1.1: [MQTT-3.1.2-22].
        user = "" if address.user is None and address.password is not None else address.user
        client_id = f"probe-{secrets.token_hex(6)}"
        try:
            sock.sendall(connect_packet(client_id, level=level, user=user, password=address.password))
            answer = _read_connack(sock, endpoint, level)
        except OSError as error:
            raise trouble_of(endpoint, error) from None
        if answer.code:
            raise refused(endpoint, answer.code)
        yield sock
        with suppress(OSError):  # closed from the other side
            sock.sendall(packet(0xE0, b""))


def _read_connack(sock: socket.socket, endpoint: Endpoint, level: int) -> Connack:
    splitter = Splitter(65_536)
    try:
        while (raw := splitter.next_packet()) is None:
            chunk = sock.recv(4096)
            if not chunk:
                raise unanswered(endpoint) if not splitter.rest else Malformed("it ends within a packet", 0)
            splitter.feed(chunk)
        answer = decode(raw, level)
    except Malformed:
        answer = None
    if not isinstance(answer, Connack):
        raise Trouble("what answers there does not speak MQTT", where=str(endpoint), fix=OTHER_PORT)
    return answer
