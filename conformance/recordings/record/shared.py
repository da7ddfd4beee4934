"""A recorder that shares a busy bus with others: an MQTT 5 shared subscription (section 4.8.2).

The broker gives each message to one member of the group. What it has kept would be given to no member, or by some
brokers to each: every member asks not to have it so (retain handling 2), and takes it once over a plain subscription
that it gives up at once. Subscription identifiers (3.8.2.1.2) tell which is which: what is said live comes to the
group, and what the plain subscription gets of it beside that is not taken twice.
"""

from __future__ import annotations

import socket

from conformance.bench.connection.address import Address
from conformance.bench.mqtt.framing import Malformed, Splitter, decode_length, packet, string
from conformance.bench.mqtt.packets import V5, decode
from conformance.recordings.record.capture import Capture, ConnectionLost, PublishSplitter, Take
from protocol.trouble import Trouble
from protocol.wire.packet import Connack

GROUP, KEPT = 1, 2
"""Subscription identifiers: of the group's subscription, and of the plain one."""
_NOT_KEPT = 2 << 4
"""Retain handling: give nothing that was kept."""
_IDENTIFIER = 11
_SHORTEST_SUBACK = 4
"""Bytes of a number, of no properties, and of the reason for one filter."""
_SHARED_NOT_SUPPORTED = 0x9E


class SharedSplitter(PublishSplitter):
    """Takes PUBLISH packets of MQTT 5 apart, by the identifier of the subscription that they come of."""

    _has_properties = True

    def _identifier(self, data: bytes, begin: int, end: int) -> tuple[int, int]:
        return _identifier(data, begin, end)

    def _wanted(self, identifier: int, *, kept: bool) -> bool:
        """What is kept comes of the plain subscription, everything else of the group's."""
        return kept == (identifier == KEPT)

    def _suback(self, body: bytes) -> None:
        """Section 3.9 of MQTT 5: a reason for each filter stands at the end. Raises Trouble for a refusal."""
        if len(body) < _SHORTEST_SUBACK:
            raise ConnectionLost("the broker sent a SUBACK that is cut short")
        code = body[-1]
        if code == _SHARED_NOT_SUPPORTED:
            fix = "Use a broker for MQTT 5 that has them, such as mosquitto 2, or leave --share out"
            raise Trouble("the broker has no shared subscriptions", fix=fix)
        if code >= 0x80:
            fix = "Give a user who may read the site's topics"
            raise Trouble(f"the broker refuses the subscription (reason {code:#04x})", fix=fix)


def _identifier(data: bytes, begin: int, end: int) -> tuple[int, int]:
    """The subscription identifier among the properties at `begin` (0 for none), and where the payload begins."""
    found = decode_length(data, begin)
    if found is None or found[1] + found[0] > end:
        raise ConnectionLost("the broker sent a PUBLISH whose properties are cut short")
    size, at = found
    payload = at + size
    if size == 2 and data[at] == _IDENTIFIER:  # The usual case.
        return data[at + 1], payload
    if not size:
        return 0, payload
    from conformance.bench.mqtt.framing import Cursor
    from conformance.bench.mqtt.properties import read_properties

    try:
        properties = read_properties(Cursor(data[begin:payload], 0))
    except Malformed as error:
        raise ConnectionLost(f"the broker sent properties that are none: {error}") from None
    values = properties.get("subscription-identifier", ())
    return (int(values[0]) if values and isinstance(values[0], int) else 0), payload


class SharedCapture(Capture):
    """Listens as one of the group `name`."""

    _level = V5

    def __init__(self, address: Address, topic_filter: str, take: Take, qos: int, name: str) -> None:
        super().__init__(address, topic_filter, take, qos)
        self._name = name

    def _connack(self, sock: socket.socket) -> int:
        splitter = Splitter(65_536)
        try:
            while (raw := splitter.next_packet()) is None:
                chunk = sock.recv(4096)
                if not chunk:
                    raise ConnectionLost("the connection was closed before an answer came")
                splitter.feed(chunk)
            answer = decode(raw, V5)
        except Malformed:
            answer = None
        if not isinstance(answer, Connack) or answer.code in (1, 0x84):
            fix = "Use a broker for MQTT 5, such as mosquitto 2, or leave --share out"
            raise Trouble("what answers there does not speak MQTT 5", where=self._address.name, fix=fix)
        return answer.code

    def _subscriptions(self) -> bytes:
        """The group's subscription, then the plain one, given up behind what was kept."""
        group = f"$share/{self._name}/{self._filter}"
        return (
            _subscribe(1, GROUP, group, self._qos | _NOT_KEPT)
            + _subscribe(2, KEPT, self._filter, self._qos)
            + packet(0xA2, b"\x00\x03\x00" + string(self._filter))
        )

    def _splitter(self) -> PublishSplitter:
        return SharedSplitter(self._take)

    def _awaits_suback(self, data: bytes) -> bool:
        return False  # The splitter looks at both.


def _subscribe(number: int, identifier: int, topic_filter: str, options: int) -> bytes:
    """Section 3.8 of MQTT 5."""
    properties = bytes([2, _IDENTIFIER, identifier])
    return packet(0x82, number.to_bytes(2, "big") + properties + string(topic_filter) + bytes([options]))
