"""What passed between a client and its broker, packet by packet: told by the tap on a wire and by the virtual bus."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from protocol.wire.packet import Packet


class Direction(Enum):
    """Which way a packet goes, seen from the client."""

    FROM_NODE = "from the node"
    TO_NODE = "to the node"


class Fate(Enum):
    """What became of a packet."""

    FORWARDED = "forwarded"
    HELD = "held back"
    DROPPED = "dropped"
    INJECTED = "sent by the tap itself"


class ClosedBy(Enum):
    """Who ended a connection first."""

    NODE = "the node"
    BROKER = "the broker"
    LINK = "the link"
    TAP = "the tap"


@dataclass(frozen=True, slots=True)
class LinkPacket:
    """One MQTT packet as it passed at the client's end of its link.

    `number` counts packets from 1, those of one client on the virtual bus and all of a tap; `connection` counts the
    client's connections from 1. `at_us` is in microseconds, virtual or monotonic: when the client sent the packet (its
    last byte had come), or when it reached the client (it was written), so delays that a tap puts in never blur the
    client's own timing.
    """

    number: int
    connection: int
    direction: Direction
    at_us: int
    packet: Packet
    fate: Fate = Fate.FORWARDED
    raw: bytes = b""
    """The bytes as they passed; none on the virtual bus, where a packet is never put into bytes."""

    @property
    def from_node(self) -> bool:
        """Whether the client sent it."""
        return self.direction is Direction.FROM_NODE


@dataclass(frozen=True, slots=True)
class LinkConnection:
    """One connection of a client: when it was opened and closed, in microseconds, and by whom."""

    number: int
    opened_us: int
    closed_us: int | None = None
    closed_by: ClosedBy | None = None
