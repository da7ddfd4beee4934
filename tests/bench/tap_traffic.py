"""What the tests of the tap look for in its log."""

from __future__ import annotations

from collections.abc import Callable

from protocol.wire.evidence import LinkConnection, LinkPacket
from protocol.wire.packet import (
    Publish,
)
from tests.bench.wire import (
    Wire,
)

TIMEOUT = 5.0


def publishes(packet: LinkPacket) -> bool:
    return isinstance(packet.packet, Publish)


def closed(number: int) -> Callable[[LinkConnection], bool]:
    return lambda one: one.number == number and one.closed_by is not None


def turned_away(port: int) -> bool:
    try:
        with Wire(port) as node:
            return node.closed_within(TIMEOUT)
    except ConnectionResetError:
        # So early that connecting itself fails.
        return True
