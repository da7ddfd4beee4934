"""Nodes that are wrong on the link: sessions, wills, subscriptions, retained messages."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from protocol.counting import next_count
from protocol.participant import Delivery, Publication
from protocol.specification import specification
from protocol.wire.evidence import LinkPacket
from protocol.wire.packet import Ack, Connect, Kind, Ping, Subscribe
from reference_node.controller.controller import Controller
from reference_node.controller.heartbeat import Heartbeat
from reference_node.controller.inbox import Inbox
from reference_node.envelope import Envelope
from tests.faulty_nodes.faulty import faulty


def keeps_session(seen: LinkPacket) -> LinkPacket:
    packet = seen.packet
    return replace(seen, packet=replace(packet, clean_session=False)) if isinstance(packet, Connect) else seen


@faulty("LNK-01", "link-clean-session", distort=keeps_session)
class KeepsItsSession(Controller):
    pass


def never_pings(seen: LinkPacket) -> LinkPacket | None:
    return None if isinstance(seen.packet, Ping) and seen.packet.kind == Kind.PINGREQ else seen


@faulty("LNK-03", "link-pings", distort=never_pings)
class NeverPings(Controller):
    class heartbeat_class(Heartbeat):  # noqa: N801
        def due_ms(self, message: str, now_ms: int, every_ms: int | None = None) -> int:
            return super().due_ms(message, now_ms, every_ms) + 15_000


def acknowledges_late(seen: LinkPacket) -> LinkPacket:
    late = isinstance(seen.packet, Ack) and seen.from_node
    return replace(seen, at_us=seen.at_us + 220_000) if late else seen


@faulty("LNK-15", "link-acknowledges", distort=acknowledges_late)
class AcknowledgesATenthTooLate(Controller):
    pass


def never_acknowledges(seen: LinkPacket) -> LinkPacket | None:
    return None if isinstance(seen.packet, Ack) and seen.from_node else seen


@faulty("LNK-15", "link-acknowledges", distort=never_acknowledges)
class NeverAcknowledges(Controller):
    pass


def password_a_byte_too_long(seen: LinkPacket) -> LinkPacket:
    packet = seen.packet
    longest = specification().most("password")
    return (
        replace(seen, packet=replace(packet, user="u", password_size=longest + 1))
        if isinstance(packet, Connect)
        else seen
    )


@faulty("LNK-18", "link-connect-size", distort=password_a_byte_too_long)
class ConnectsWithTooLongAPassword(Controller):
    pass


def user_name_a_byte_too_long(seen: LinkPacket) -> LinkPacket:
    packet = seen.packet
    longest = specification().most("user_name")
    return (
        replace(seen, packet=replace(packet, user="u" * (longest + 1)))
        if isinstance(packet, Connect)
        else seen
    )


@faulty("LNK-18", "link-connect-size", distort=user_name_a_byte_too_long)
class ConnectsUnderTooLongAName(Controller):
    pass


class _OwnPace:
    """Moves each CONNECT but the first to `after_ms` behind the last packet of the connection before."""

    def __init__(self, after_ms: int) -> None:
        self._after_us, self._last = after_ms * 1000, 0

    def __call__(self, seen: LinkPacket) -> LinkPacket:
        if isinstance(seen.packet, Connect) and seen.connection > 1:
            return replace(seen, at_us=self._last + self._after_us)
        self._last = seen.at_us
        return seen


@faulty("LNK-10", "link-comes-back", distort=_OwnPace(450))
class ComesBackATenthTooSoon(Controller):
    pass


@faulty("LNK-10", "link-comes-back", distort=_OwnPace(11_000))
class ComesBackATenthTooLate(Controller):
    pass


@faulty("LNK-02", "link-keep-alive")
class AsksForNoKeepAlive(Controller):
    keep_alive_s = 0


@faulty("LNK-02", "link-keep-alive")
class AsksForASecondTooMuch(Controller):
    keep_alive_s = 16


@faulty("LNK-04", "link-will")
class HasNoWill(Controller):
    def will(self) -> Publication | None:
        return None


@faulty("LNK-04", "link-will")
class WillIsNotRetained(Controller):
    def will(self) -> Publication | None:
        will = super().will()
        return None if will is None else replace(will, retain=False)


@faulty("LNK-04", "link-will")
class WillOfTheConnectionBefore(Controller):
    def will(self) -> Publication | None:
        return self._off(self.link)


@faulty("LNK-04", "link-will")
class WillSaysTooMuch(Controller):
    def will(self) -> Publication | None:
        body = {"boot": self.boot, "state": "off", "link": next_count(self.link), "bench": True}
        return replace(self._off(self.link), payload=json.dumps(body, separators=(",", ":")).encode())


@faulty("LNK-05", "link-subscribes")
class SubscribesToEveryNode(Controller):
    def subscriptions(self) -> Sequence[tuple[str, int]]:
        return [*super().subscriptions(), ("yw1/+/+/job-order", 1)]


@faulty("LNK-05", "link-subscribes")
class LeavesAllOut(Controller):
    def subscriptions(self) -> Sequence[tuple[str, int]]:
        return list(super().subscriptions())[:1]


@faulty("LNK-06", "link-subscribe-qos")
class SubscribesAtQosZero(Controller):
    def subscriptions(self) -> Sequence[tuple[str, int]]:
        return [(topic, 0) for topic, _ in super().subscriptions()]


@faulty("LNK-08", "link-says-on")
class SaysOnLast(Controller):
    def connected(self, now_ms: int) -> Sequence[Publication]:
        return list(reversed(super().connected(now_ms)))


@faulty("LNK-09", "link-comes-back")
class CountsConnectionsOnce(Controller):
    def connected(self, now_ms: int) -> Sequence[Publication]:
        self.link = 0
        return super().connected(now_ms)


@faulty("LNK-11", "link-client-id")
class IdentifierTooLong(Controller):
    client_id = "siding-01"


@faulty("LNK-12", "link-says-on")
class StateIsNotRetained(Controller):
    class envelope_class(Envelope):  # noqa: N801
        def retained(self, message: str) -> bool:
            return False


@faulty("LNK-13", "link-retain-flags")
class ReportsAreRetained(Controller):
    class envelope_class(Envelope):  # noqa: N801
        def retained(self, message: str) -> bool:
            return True


@faulty("LNK-14", "link-retained-order")
class ObeysRetainedOrders(Controller):
    class inbox_class(Inbox):  # noqa: N801
        def ignores(self, delivery: Delivery) -> bool:
            return False


@faulty("LNK-19", "link-qos")
class PublishesAtAnotherQos(Controller):
    class envelope_class(Envelope):  # noqa: N801
        def bare(self, message: str, body: Mapping[str, Any]) -> Publication:
            return replace(super().bare(message, body), qos=1)


def subscribes_last(seen: LinkPacket) -> LinkPacket | None:
    """As if the first SUBSCRIBE of every connection had never been sent, and only publishing went on."""
    return None if isinstance(seen.packet, Subscribe) and seen.connection > 1 else seen


@faulty("LNK-07", "link-subscribe-first", distort=subscribes_last)
class ForgetsToSubscribeAgain(Controller):
    pass
