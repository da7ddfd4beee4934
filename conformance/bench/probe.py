"""Asking a broker whether it lets us in: one CONNECT, one CONNACK, and words for whatever else happens."""

from __future__ import annotations

import secrets
import socket
import ssl

from conformance.bench.address import Address
from conformance.bench.framing import Malformed, Splitter, binary, packet, string
from conformance.bench.packets import V5, decode
from protocol.trouble import Trouble
from protocol.wire.packet import Connack

REFUSALS = {
    1: "it does not speak this MQTT version",
    2: "it rejects the client id",
    3: "its MQTT service is not available",
    4: "it refuses the user name or password",
    5: "it does not authorise us",
    0x84: "it does not speak this MQTT version",
    0x85: "it rejects the client id",
    0x86: "it refuses the user name or password",
    0x87: "it does not authorise us",
    0x88: "its MQTT service is not available",
    0x89: "it is busy",
    0x8A: "it has banned us",
    0x8C: "it wants another way of authentication",
}
"""MQTT 3.1.1 table 3.1 (1 to 5) and MQTT 5 table 3-1 (0x80 up), in our words."""
OTHER_PORT = "Check that host and port are those of an MQTT broker, and whether it wants mqtts://"
LOGIN = frozenset({4, 5, 0x86, 0x87})


def connect_packet(client_id: str, *, level: int, user: str | None, password: str | None) -> bytes:
    """Build a CONNECT with a clean session and a keep-alive of 10 s (MQTT 3.1.1 section 3.1)."""
    flags = 0x02 | (0x80 if user is not None else 0) | (0x40 if password is not None else 0)
    body = string("MQTT") + bytes([level, flags]) + (10).to_bytes(2, "big")
    body += b"\0" if level >= V5 else b""  # no properties
    body += string(client_id)
    body += b"" if user is None else string(user)
    body += b"" if password is None else binary(password.encode())
    return packet(0x10, body)


def probe(address: Address, *, level: int = 4, timeout: float = 5.0) -> None:
    """Connect to a broker, be accepted, and leave again. Raises Trouble that says why not."""
    context = address.tls_context()
    try:
        with socket.create_connection((address.host, address.port), timeout) as plain:
            if context is None:
                _ask(plain, address, level)
            else:
                with context.wrap_socket(plain, server_hostname=address.host) as secure:
                    _ask(secure, address, level)
    except OSError as error:
        raise _network_trouble(address, error, timeout) from error


def _ask(sock: socket.socket, address: Address, level: int) -> None:
    # A password without a user name is not allowed in MQTT 3.1.1: [MQTT-3.1.2-22].
    user = "" if address.user is None and address.password is not None else address.user
    client_id = f"probe-{secrets.token_hex(6)}"
    sock.sendall(connect_packet(client_id, level=level, user=user, password=address.password))
    answer = _read_connack(sock, address, level)
    if answer.code:
        why = REFUSALS.get(answer.code, f"return code {answer.code}")
        mend = "Give the user and password that this broker knows" if answer.code in LOGIN else None
        raise Trouble(f"the broker does not let us in: {why}", where=address.name, mend=mend)
    sock.sendall(packet(0xE0, b""))


def _read_connack(sock: socket.socket, address: Address, level: int) -> Connack:
    splitter = Splitter(65_536)
    try:
        while (raw := splitter.next_packet()) is None:
            chunk = sock.recv(4096)
            if not chunk:
                raise _silent(address) if not splitter.rest else Malformed("it ends within a packet", 0)
            splitter.feed(chunk)
        answer = decode(raw, level)
    except Malformed:
        answer = None
    if not isinstance(answer, Connack):
        raise Trouble("what answers there does not speak MQTT", where=address.name, mend=OTHER_PORT)
    return answer


def _silent(address: Address) -> Trouble:
    return Trouble("the connection was closed before an answer came", where=address.name, mend=OTHER_PORT)


def _network_trouble(address: Address, error: OSError, timeout: float) -> Trouble:
    where = address.name
    mend: str | None
    match error:
        case socket.gaierror():
            what, mend = f"there is no host {address.host!r}", "Check its name, and that the network is up"
        case ssl.SSLCertVerificationError():
            what = f"the broker's certificate is not to be trusted: {error.verify_message}"
            mend = "Name the CA's certificate file if this broker has a CA of its own"
        case ssl.SSLError():
            what, mend = f"TLS fails: {error.reason or error}", "Check that this port speaks TLS"
        case ConnectionRefusedError():
            what, mend = "nothing listens there", "Start the broker, or check host and port"
        case TimeoutError():
            what, mend = f"no answer within {timeout:g} s", "Check host, port and any firewall in between"
        case ConnectionResetError() | BrokenPipeError():
            what, mend = (
                "the connection was cut",
                "Check that this is an MQTT port, and whether it wants mqtts://",
            )
        case _:
            what, mend = f"it cannot be reached: {error.strerror or error}", None
    return Trouble(what, where=where, mend=mend)
