"""What passed between one client of the virtual bus and its broker, in the words a tap on a wire uses."""

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
    """One packet at the client's end.

    `number` counts the client's packets from 1, `connection` its connections. `at_us` is virtual time in
    microseconds: when the client sent the packet, or when it reached the client.
    """

    number: int
    connection: int
    direction: Direction
    at_us: int
    packet: Packet
    fate: Fate = Fate.FORWARDED

    @property
    def from_node(self) -> bool:
        """Whether the client sent it."""
        return self.direction is Direction.FROM_NODE


@dataclass(slots=True)
class LinkConnection:
    """One connection of a client: when it was opened and closed, in microseconds, and by whom."""

    number: int
    opened_us: int
    closed_us: int | None = None
    closed_by: ClosedBy | None = None
