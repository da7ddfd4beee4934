"""MQTT control packets as plain values: what a tap reads on the wire, and what the virtual bus reports.

Section numbers are those of 'MQTT Version 3.1.1' (OASIS Standard, 29 October 2014); 'v5' marks those of
'MQTT Version 5.0' (OASIS Standard, 7 March 2019).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import IntEnum

Value = int | str | bytes | tuple[str, str]
Properties = dict[str, tuple[Value, ...]]
"""MQTT 5 properties: name to every value it was given, in order; empty in MQTT 3.1.1."""


class Kind(IntEnum):
    """Control packet types (section 2.2.1, table 2.1; AUTH is v5 only)."""

    CONNECT = 1
    CONNACK = 2
    PUBLISH = 3
    PUBACK = 4
    PUBREC = 5
    PUBREL = 6
    PUBCOMP = 7
    SUBSCRIBE = 8
    SUBACK = 9
    UNSUBSCRIBE = 10
    UNSUBACK = 11
    PINGREQ = 12
    PINGRESP = 13
    DISCONNECT = 14
    AUTH = 15


@dataclass(frozen=True, slots=True)
class Will:
    """What the broker publishes for a client that went without DISCONNECT (section 3.1.2.5)."""

    topic: str
    payload: bytes
    qos: int
    retain: bool
    properties: Properties = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Connect:
    """Section 3.1. `level` is 4 for MQTT 3.1.1 and 5 for MQTT 5; `keep_alive` is in seconds, 0 for none.

    Of a password only its bytes are counted; `password_size` is None where there is none.
    """

    protocol: str
    level: int
    client_id: str
    clean_session: bool
    keep_alive: int
    will: Will | None
    user: str | None
    password_size: int | None
    properties: Properties = field(default_factory=dict)
    kind: Kind = Kind.CONNECT


@dataclass(frozen=True, slots=True)
class Connack:
    """Section 3.2. `code` is 0 when the connection is accepted."""

    session_present: bool
    code: int
    properties: Properties = field(default_factory=dict)
    kind: Kind = Kind.CONNACK


@dataclass(frozen=True, slots=True)
class Publish:
    """Section 3.3. `packet_id` is None at QoS 0."""

    topic: str
    payload: bytes
    qos: int
    retain: bool
    dup: bool
    packet_id: int | None
    properties: Properties = field(default_factory=dict)
    kind: Kind = Kind.PUBLISH


@dataclass(frozen=True, slots=True)
class Ack:
    """PUBACK, PUBREC, PUBREL or PUBCOMP (sections 3.4 to 3.7). `code` is 0 in MQTT 3.1.1."""

    kind: Kind
    packet_id: int
    code: int = 0
    properties: Properties = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Subscription:
    """One topic filter of a SUBSCRIBE. `options` is the whole byte: v5 puts more than the QoS in it."""

    filter: str
    qos: int
    options: int


@dataclass(frozen=True, slots=True)
class Subscribe:
    """Section 3.8."""

    packet_id: int
    subscriptions: tuple[Subscription, ...]
    properties: Properties = field(default_factory=dict)
    kind: Kind = Kind.SUBSCRIBE


@dataclass(frozen=True, slots=True)
class Unsubscribe:
    """Section 3.10."""

    packet_id: int
    filters: tuple[str, ...]
    properties: Properties = field(default_factory=dict)
    kind: Kind = Kind.UNSUBSCRIBE


@dataclass(frozen=True, slots=True)
class Granted:
    """SUBACK or UNSUBACK (sections 3.9, 3.11). A code from 0x80 up is a refusal; 3.1.1 UNSUBACK has none."""

    kind: Kind
    packet_id: int
    codes: tuple[int, ...]
    properties: Properties = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Ping:
    """PINGREQ or PINGRESP (sections 3.12, 3.13)."""

    kind: Kind


@dataclass(frozen=True, slots=True)
class Disconnect:
    """Section 3.14; `code` is 0 in MQTT 3.1.1. In v5 code 4 asks for the will all the same."""

    code: int = 0
    properties: Properties = field(default_factory=dict)
    kind: Kind = Kind.DISCONNECT


@dataclass(frozen=True, slots=True)
class Auth:
    """AUTH, v5 section 3.15."""

    code: int
    properties: Properties = field(default_factory=dict)
    kind: Kind = Kind.AUTH


@dataclass(frozen=True, slots=True)
class Unreadable:
    """Bytes that are no MQTT packet: kept as evidence with the reason."""

    reason: str
    kind: None = None


Packet = (
    Connect
    | Connack
    | Publish
    | Ack
    | Subscribe
    | Unsubscribe
    | Granted
    | Ping
    | Disconnect
    | Auth
    | Unreadable
)
"""Whatever passes on a link."""
