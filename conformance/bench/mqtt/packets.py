"""MQTT control packets, decoded from bytes: what a tap reads on the wire.

No library on offer decodes MQTT 3.1.1 and 5 from bytes without doing the input and output itself, so this
is our own, written from the standards' text. Section numbers are those of MQTT 3.1.1, 'v5' marks those of
MQTT 5.0. It reads only; what is decoded is evidence, and the raw bytes are always kept beside it.
"""

from __future__ import annotations

from collections.abc import Callable

from conformance.bench.mqtt.framing import Cursor, Malformed, decode_length
from conformance.bench.mqtt.properties import read_properties
from protocol.wire.packet import (
    Ack,
    Auth,
    Connack,
    Connect,
    Disconnect,
    Granted,
    Kind,
    Packet,
    Ping,
    Properties,
    Publish,
    Subscribe,
    Subscription,
    Unreadable,
    Unsubscribe,
    Will,
)

V311 = 4
V5 = 5

FLAGS = {Kind.PUBREL: 2, Kind.SUBSCRIBE: 2, Kind.UNSUBSCRIBE: 2}
"""Flag bits that are fixed; PUBLISH uses them, all others have 0 (section 2.2.2, table 2.2)."""


def decode(raw: bytes, version: int = V311) -> Packet:
    """Decode one whole control packet. Raises Malformed.

    `version` is the level the connection's CONNECT named (4 or 5); a CONNECT itself needs none.
    """
    length = decode_length(raw, 1) if raw else None
    if length is None or length[0] + length[1] != len(raw):
        raise Malformed("this is not exactly one packet", len(raw))
    kind = _kind(raw[0], version)
    cursor = Cursor(raw, length[1])
    decoded = _DECODERS[kind](cursor, kind, version)
    if not cursor.done:
        raise Malformed(f"{len(raw) - cursor.at} bytes too many behind the {kind.name}", cursor.at)
    return decoded


def decode_or_explain(raw: bytes, version: int = V311) -> Packet:
    """Decode one packet; what cannot be read comes back as Unreadable instead of an error."""
    try:
        return decode(raw, version)
    except Malformed as error:
        return Unreadable(str(error))


def _kind(first: int, version: int) -> Kind:
    code, flags = first >> 4, first & 0x0F
    if code == 0 or (code == Kind.AUTH and version < V5):
        raise Malformed(f"packet type {code} is reserved", 0)
    kind = Kind(code)
    if kind is not Kind.PUBLISH and flags != FLAGS.get(kind, 0):
        # [MQTT-2.2.2-2]: the receiver closes the connection.
        raise Malformed(f"the flags of a {kind.name} are {flags}", 0)
    return kind


def _properties(cursor: Cursor, version: int) -> Properties:
    return read_properties(cursor) if version >= V5 else {}


def _tail(cursor: Cursor, version: int) -> tuple[int, Properties]:
    """Reason code and properties, each left out by a v5 sender where it would say nothing (v5 3.4.2.1)."""
    code = 0 if version < V5 or cursor.done else cursor.byte("reason code")
    return code, {} if cursor.done else _properties(cursor, version)


def _connect(cursor: Cursor, kind: Kind, version: int) -> Connect:
    protocol = cursor.string("protocol name")
    level = cursor.byte("protocol level")
    flag_at = cursor.at
    flags = cursor.byte("connect flags")
    if flags & 1:
        raise Malformed("the reserved connect flag is set", flag_at)  # [MQTT-3.1.2-3]
    keep_alive = cursor.word("keep-alive")
    properties = _properties(cursor, level)
    client_id = cursor.string("client id")
    will = _will(cursor, flags, level, flag_at)
    user = cursor.string("user name") if flags & 0x80 else None
    password_size = len(cursor.binary("password")) if flags & 0x40 else None
    return Connect(
        protocol, level, client_id, bool(flags & 2), keep_alive, will, user, password_size, properties
    )


def _will(cursor: Cursor, flags: int, level: int, flag_at: int) -> Will | None:
    qos, retain = (flags >> 3) & 3, bool(flags & 0x20)
    if not flags & 4:
        if qos or retain:
            raise Malformed("will QoS or retain without a will", flag_at)  # [MQTT-3.1.2-11], -13, -15
        return None
    if qos == 3:
        raise Malformed("the will QoS is 3", flag_at)  # [MQTT-3.1.2-14]
    properties = _properties(cursor, level)
    topic = cursor.string("will topic")
    return Will(topic, cursor.binary("will message"), qos, retain, properties)


def _connack(cursor: Cursor, kind: Kind, version: int) -> Connack:
    present = cursor.byte("acknowledge flags")
    code = cursor.byte("return code")
    # A broker that does not know version 5 refuses it in the older form, without properties.
    return Connack(bool(present & 1), code, {} if cursor.done else _properties(cursor, version))


def _publish(cursor: Cursor, kind: Kind, version: int) -> Publish:
    flags = cursor.data[0] & 0x0F
    qos = (flags >> 1) & 3
    if qos == 3:
        raise Malformed("the QoS is 3", 0)  # [MQTT-3.3.1-4]
    topic = cursor.string("topic")
    packet_id = _packet_id(cursor) if qos else None
    properties = _properties(cursor, version)
    return Publish(topic, cursor.rest(), qos, bool(flags & 1), bool(flags & 8), packet_id, properties)


def _packet_id(cursor: Cursor) -> int:
    at = cursor.at
    value = cursor.word("packet id")
    if not value:
        raise Malformed("the packet id is 0", at)  # [MQTT-2.3.1-1]
    return value


def _ack(cursor: Cursor, kind: Kind, version: int) -> Ack:
    packet_id = _packet_id(cursor)
    return Ack(kind, packet_id, *_tail(cursor, version))


def _subscribe(cursor: Cursor, kind: Kind, version: int) -> Subscribe:
    packet_id = _packet_id(cursor)
    properties = _properties(cursor, version)
    found = []
    while not cursor.done:
        topic_filter = cursor.string("topic filter")
        options = cursor.byte("requested QoS")
        if options & 3 == 3 or (version < V5 and options > 2):
            raise Malformed(f"the requested QoS is {options}", cursor.at - 1)  # [MQTT-3-8.3-4]
        found.append(Subscription(topic_filter, options & 3, options))
    if not found:
        raise Malformed("a SUBSCRIBE without a topic filter", cursor.at)  # [MQTT-3.8.3-3]
    return Subscribe(packet_id, tuple(found), properties)


def _unsubscribe(cursor: Cursor, kind: Kind, version: int) -> Unsubscribe:
    packet_id = _packet_id(cursor)
    properties = _properties(cursor, version)
    found = []
    while not cursor.done:
        found.append(cursor.string("topic filter"))
    if not found:
        raise Malformed("an UNSUBSCRIBE without a topic filter", cursor.at)  # [MQTT-3.10.3-2]
    return Unsubscribe(packet_id, tuple(found), properties)


def _granted(cursor: Cursor, kind: Kind, version: int) -> Granted:
    packet_id = _packet_id(cursor)
    properties = _properties(cursor, version)
    codes = () if kind is Kind.UNSUBACK and version < V5 else tuple(cursor.rest())
    return Granted(kind, packet_id, codes, properties)


def _ping(cursor: Cursor, kind: Kind, version: int) -> Ping:
    return Ping(kind)


def _disconnect(cursor: Cursor, kind: Kind, version: int) -> Disconnect:
    return Disconnect(*_tail(cursor, version))


def _auth(cursor: Cursor, kind: Kind, version: int) -> Auth:
    return Auth(*_tail(cursor, version))


_DECODERS: dict[Kind, Callable[[Cursor, Kind, int], Packet]] = {
    Kind.CONNECT: _connect,
    Kind.CONNACK: _connack,
    Kind.PUBLISH: _publish,
    Kind.PUBACK: _ack,
    Kind.PUBREC: _ack,
    Kind.PUBREL: _ack,
    Kind.PUBCOMP: _ack,
    Kind.SUBSCRIBE: _subscribe,
    Kind.SUBACK: _granted,
    Kind.UNSUBSCRIBE: _unsubscribe,
    Kind.UNSUBACK: _granted,
    Kind.PINGREQ: _ping,
    Kind.PINGRESP: _ping,
    Kind.DISCONNECT: _disconnect,
    Kind.AUTH: _auth,
}
