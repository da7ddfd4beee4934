"""A subscriber that does nothing but listen, on a bare socket: a recorder must not be the slowest on the bus.

MQTT 3.1.1; section numbers are of that standard. General-purpose clients take two to three times the
processor time a message that this does, for it looks at nothing but what a recording keeps.
"""

from __future__ import annotations

import secrets
import socket
from collections.abc import Callable
from contextlib import suppress
from time import monotonic_ns, sleep
from typing import ClassVar

from conformance.bench.brokers.probe import connect_packet
from conformance.bench.connection.address import Address
from conformance.bench.mqtt.framing import decode_length, packet, string
from conformance.bench.mqtt.packets import decode
from protocol.recording import EventKind, RecordedMessage
from protocol.trouble import Trouble
from protocol.wire.connect_trouble import trouble_of, unanswered
from protocol.wire.dial import dial
from protocol.wire.packet import Granted
from protocol.wire.refusals import refused

CHUNK = 1 << 18
LOOK_S = 0.2
"""How long to wait for bytes before looking at the clock."""
PING_EVERY_S = 5.0
"""Half of the keep-alive that `connect_packet` asks for."""
ANSWER_S = 5.0
WAITS_S = (0.5, 1.0, 2.0, 5.0)
"""Waits between attempts to connect again."""
RECEIVE_BUFFER = 4 << 20

_PUBLISH, _SUBACK, _PINGREQ, _DISCONNECT = 0x30, 0x90, packet(0xC0, b""), packet(0xE0, b"")

Take = Callable[[RecordedMessage], object]


class ConnectionLost(Exception):
    """The connection is lost; the text says how it showed."""


class _NotThere(Trouble):
    """Nobody answers at the address, or not as a broker that is up does."""


class PublishSplitter:
    """Cuts a stream into PUBLISH packets and hands each on; the same as `decode`, without its care.

    Beside `framing.Splitter` because it takes about a third of the time: `make bench ARGS=traffic` measures both.
    """

    def __init__(self, take: Take) -> None:
        self._take = take
        self._rest = b""
        self._topics: dict[bytes, str] = {}
        self.acknowledgements = bytearray()
        """PUBACKs to be sent."""

    def feed(self, data: bytes, at_us: int) -> None:
        """Take bytes that arrived at `at_us`. Raises ConnectionLost at what is no MQTT."""
        if self._rest:
            data = self._rest + data
        size, begin = len(data), 0
        while size - begin >= 2:
            first, length, start = data[begin], data[begin + 1], begin + 2
            if length > 127:
                if size - begin >= 3 and data[begin + 2] < 128:  # Two bytes of length: the usual case.
                    length, start = (length & 127) | data[begin + 2] << 7, begin + 3
                else:
                    found = decode_length(data, begin + 1)
                    if found is None:
                        break
                    length, start = found
            end = start + length
            if end > size:
                break
            if first & 0xF0 == _PUBLISH:
                self._publish(data, first, start, end, at_us)
            elif first & 0xF0 == _SUBACK:
                self._suback(data[start:end])
            begin = end
        self._rest = data[begin:]

    def _suback(self, body: bytes) -> None:
        """Section 3.9; `Capture` has looked at it."""

    def _publish(self, data: bytes, first: int, start: int, end: int, at_us: int) -> None:
        """Section 3.3; of both versions, as they differ in the properties alone."""
        after = start + 2 + (data[start] << 8 | data[start + 1]) if end - start >= 2 else end + 1
        qos = first >> 1 & 3
        if after + (2 if qos else 0) > end:
            raise ConnectionLost("the broker sent a PUBLISH that is cut short")
        raw = data[start + 2 : after]
        topic = self._topics.get(raw)
        if topic is None:
            topic = self._topics[raw] = raw.decode("utf-8", "replace")
        if qos:
            self.acknowledgements += b"\x40\x02" + data[after : after + 2]
            after += 2
        kept = first & 1 == 1
        if self._has_properties:
            identifier, after = self._identifier(data, after, end)
            if not self._wanted(identifier, kept=kept):
                return
        # As the constructor does, at half of its time.
        fields = (at_us, topic, data[after:end], qos, kept, first & 8 == 8)
        self._take(tuple.__new__(RecordedMessage, fields))

    _has_properties: ClassVar[bool] = False
    """Whether they stand before the payload, as in MQTT 5."""

    def _identifier(self, data: bytes, begin: int, end: int) -> tuple[int, int]:
        """The subscription identifier among the properties at `begin` (0 for none), and where the payload begins."""
        raise NotImplementedError

    def _wanted(self, identifier: int, *, kept: bool) -> bool:
        """Whether a message that comes of this subscription is handed on."""
        raise NotImplementedError


class Capture:
    """Connects, subscribes to `topic_filter` and hands over what comes, until told to stop."""

    def __init__(
        self,
        address: Address,
        topic_filter: str,
        take: Take,
        qos: int = 1,
        waiting: Callable[[str], object] | None = None,
    ) -> None:
        """`qos` 1 hears an order as its node does; 0 spares the acknowledgements.

        With `waiting` it waits for a broker that is not there yet, and says there why it does.
        """
        self._waiting = waiting
        self._address = address
        self._filter = topic_filter
        self._take = take
        self._qos = qos
        self._endpoint = address.endpoint()
        self._began_ns = monotonic_ns()
        self._stopped = False
        self._client_id = f"rec-{secrets.token_hex(4)}"
        self.connections = 0
        self.connecting = False
        """Whether a broker's answer is waited for: nothing is lost where that is broken off."""

    def stop(self) -> None:
        """End `run` soon; may be called from a signal handler or another thread."""
        self._stopped = True

    def now_us(self) -> int:
        """Microseconds since this object was made."""
        return (monotonic_ns() - self._began_ns) // 1000

    def run(self, note: Callable[[int, EventKind, str], object], pause: Callable[[int], object]) -> None:
        """Listen until `stop`; `pause(now_us)` is called between reads, at least every 0.2 s.

        The first connection has to succeed (raises Trouble), unless it is waited for; a lost one is made again, and
        the gap noted. Who is refused is not let in by waiting.
        """
        failures = 0
        while not self._stopped:
            try:
                self.connecting = True
                sock = self._connected()
                self.connecting = False
                with sock:
                    failures = 0
                    note(self.now_us(), EventKind.CONNECTED, self._address.name)
                    self._listen(sock, pause)
            except (OSError, ConnectionLost, Trouble) as error:
                self.connecting = False
                if not self.connections and not self._may_wait(error):
                    raise (
                        trouble_of(self._endpoint, error) if isinstance(error, OSError) else error
                    ) from None
                if not failures and self.connections:
                    text = f"{error}; what was said from here to the next 'connected' is missing"
                    note(self.now_us(), EventKind.DISCONNECTED, text)
                self._wait(WAITS_S[min(failures, len(WAITS_S) - 1)], pause)
                failures += 1

    def _may_wait(self, error: Exception) -> bool:
        """Whether a first connection that failed so may succeed later, and is waited for."""
        if self._waiting is None or (isinstance(error, Trouble) and not isinstance(error, _NotThere)):
            return False
        self._waiting(error.what if isinstance(error, Trouble) else str(error))
        return True

    def _dial(self) -> socket.socket:
        try:
            return dial(self._endpoint, look=not self.connections and self._waiting is None)
        except Trouble as trouble:
            raise _NotThere(trouble.what, where=trouble.where, fix=trouble.fix) from None

    def _connected(self) -> socket.socket:
        address = self._address
        sock = self._dial()
        try:
            sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, RECEIVE_BUFFER)
            user = "" if address.user is None and address.password is not None else address.user
            sock.sendall(
                connect_packet(self._client_id, level=self._level, user=user, password=address.password)
            )
            try:
                code = self._connack(sock)
            except ConnectionLost:
                if self.connections or self._waiting is not None:  # It was right once, or will be.
                    raise
                raise unanswered(self._endpoint) from None
            if code:
                raise refused(self._endpoint, code)
            sock.sendall(self._subscriptions())
        except BaseException:
            sock.close()
            raise
        self.connections += 1
        return sock

    _level = 4
    """MQTT 3.1.1."""

    def _connack(self, sock: socket.socket) -> int:
        """The broker's answer. Raises ConnectionLost, or Trouble where it is none."""
        answer = _exactly(sock, 4)
        if answer[:2] != b"\x20\x02":
            raise Trouble("what answers there does not speak MQTT 3.1.1", where=self._address.name)
        return answer[3]

    def _subscriptions(self) -> bytes:
        """What is sent once the broker has let us in."""
        return packet(0x82, b"\x00\x01" + string(self._filter) + bytes([self._qos]))

    def _splitter(self) -> PublishSplitter:
        return PublishSplitter(self._take)

    def _awaits_suback(self, data: bytes) -> bool:
        """Whether the answer to the SUBSCRIBE is still to come. Raises Trouble for a refusal."""
        return _suback_first(data, self._address)

    def _listen(self, sock: socket.socket, pause: Callable[[int], object]) -> None:
        splitter = self._splitter()
        sock.settimeout(LOOK_S)
        ping_at = self.now_us() + int(PING_EVERY_S * 1e6)
        dead_at = ping_at + int(3 * PING_EVERY_S * 1e6)
        first = True
        while not self._stopped:
            try:
                data = sock.recv(CHUNK)
            except TimeoutError:
                data = None
            now = self.now_us()
            if data == b"":
                raise ConnectionLost("the broker closed the connection")
            if data:
                dead_at = now + int(3 * PING_EVERY_S * 1e6)
                if first:
                    first = self._awaits_suback(data)
                splitter.feed(data, now)
                if splitter.acknowledgements:
                    _send(sock, bytes(splitter.acknowledgements))
                    splitter.acknowledgements.clear()
            if now >= ping_at:
                _send(sock, _PINGREQ)
                ping_at = now + int(PING_EVERY_S * 1e6)
            if now > dead_at:
                raise ConnectionLost(f"no word from the broker for {3 * PING_EVERY_S:g} s")
            pause(now)
        with suppress(OSError):
            sock.sendall(_DISCONNECT)

    def _wait(self, seconds: float, pause: Callable[[int], object]) -> None:
        end = self.now_us() + int(seconds * 1e6)
        while self.now_us() < end and not self._stopped:
            sleep(LOOK_S)
            pause(self.now_us())


def _suback_first(data: bytes, address: Address) -> bool:
    """False once the answer to our SUBSCRIBE was seen. Raises Trouble for a refusal (section 3.9.3)."""
    if data[0] != 0x90:
        return True  # Retained messages may come before it [MQTT-3.8.4-1 allows PUBLISH first].
    granted = decode(data[:5])
    if isinstance(granted, Granted) and granted.codes[0] >= 0x80:
        fix = "Give a user who may read the site's topics"
        raise Trouble("the broker refuses the subscription", where=address.name, fix=fix)
    return False


def _send(sock: socket.socket, data: bytes) -> None:
    sock.settimeout(ANSWER_S)
    try:
        sock.sendall(data)
    finally:
        sock.settimeout(LOOK_S)


def _exactly(sock: socket.socket, size: int) -> bytes:
    data = b""
    while len(data) < size:
        more = sock.recv(size - len(data))
        if not more:
            raise ConnectionLost("the connection was closed before an answer came")
        data += more
    return data
