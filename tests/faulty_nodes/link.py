"""Nodes that are wrong on the link, in their bytes and in what their state says."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Any, ClassVar

import cbor2

from protocol.counting import UPTIME_MODULUS, next_count
from protocol.guards import Order
from protocol.participant import Delivery, Publication
from protocol.specification import specification
from protocol.validation import read_message
from protocol.wire.evidence import LinkPacket
from protocol.wire.packet import Ack, Connect, Kind, Ping, Subscribe
from reference_node.controller.controller import Controller
from reference_node.controller.heartbeat import Heartbeat
from reference_node.controller.inbox import Inbox
from reference_node.controller.stimulus_player import StimulusPlayer
from reference_node.envelope import Envelope, Uptime
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


# ---------------------------------------------------------------- bytes


class _Rewritten(Envelope):
    """Writes payloads in a way of its own."""

    def bare(self, message: str, body: Mapping[str, Any]) -> Publication:
        publication = super().bare(message, body)
        return publication if "link" in body else self.rewritten(message, publication, dict(body))

    def rewritten(self, message: str, publication: Publication, body: dict[str, Any]) -> Publication:
        return publication


@faulty("ENC-01", "encoding-one-item")
class EndsWithAZero(Controller):
    class envelope_class(_Rewritten):  # noqa: N801
        def rewritten(self, message: str, publication: Publication, body: dict[str, Any]) -> Publication:
            if message != "fault":
                return publication
            return replace(publication, payload=publication.payload + b"\x00")


@faulty("ENC-02", "encoding-deterministic")
class SortsKeysBackwards(Controller):
    class envelope_class(_Rewritten):  # noqa: N801
        def rewritten(self, message: str, publication: Publication, body: dict[str, Any]) -> Publication:
            keyed = cbor2.loads(publication.payload)
            return replace(publication, payload=cbor2.dumps(dict(reversed(keyed.items()))))


@faulty("ENC-03", "encoding-plain-json", node="ferry")
class PutsBlanksInItsJson(Controller):
    class envelope_class(_Rewritten):  # noqa: N801
        def rewritten(self, message: str, publication: Publication, body: dict[str, Any]) -> Publication:
            return replace(publication, payload=json.dumps(body).encode())


@faulty("ENC-04", "encoding-integers", node="ferry")
class CountsInFloats(Controller):
    class envelope_class(_Rewritten):  # noqa: N801
        def rewritten(self, message: str, publication: Publication, body: dict[str, Any]) -> Publication:
            if message != "fault":
                return publication
            body["faults"] = float(body["faults"])
            return replace(publication, payload=json.dumps(body, separators=(",", ":")).encode())


@faulty("ENC-05", "encoding-ranges", node="ferry")
class CountsFaultsInSixteenBitsSigned(Controller):
    class envelope_class(_Rewritten):  # noqa: N801
        def rewritten(self, message: str, publication: Publication, body: dict[str, Any]) -> Publication:
            if message != "fault":
                return publication
            body["faults"] -= 1
            return replace(publication, payload=json.dumps(body, separators=(",", ":")).encode())


@faulty("ENC-06", "encoding-fields", node="ferry")
class AddsAFieldOfItsOwn(Controller):
    class envelope_class(_Rewritten):  # noqa: N801
        def rewritten(self, message: str, publication: Publication, body: dict[str, Any]) -> Publication:
            body["mood"] = "good"
            return replace(publication, payload=json.dumps(body, separators=(",", ":")).encode())


@faulty("ENC-13", "encoding-topics")
class EndsTopicsWithASlash(Controller):
    class envelope_class(_Rewritten):  # noqa: N801
        def rewritten(self, message: str, publication: Publication, body: dict[str, Any]) -> Publication:
            return replace(publication, topic=publication.topic + "/") if message == "fault" else publication


@faulty("ENC-09", "encoding-unknown-fields")
class ChokesOnUnknownFields(Controller):
    class inbox_class(Inbox):  # noqa: N801
        def read(self, delivery: Delivery) -> Order | None:
            return (
                None
                if read_message("job-order", delivery.payload, closed=True).findings
                else super().read(delivery)
            )


@faulty("ENC-12", "encoding-tails")
class OverlooksTails(Controller):
    class inbox_class(Inbox):  # noqa: N801
        def read(self, delivery: Delivery) -> Order | None:
            for end in range(len(delivery.payload), 0, -1):
                order = super().read(replace(delivery, payload=delivery.payload[:end]))
                if order is not None:
                    return order
            return None


@faulty("ENC-10", "encoding-unreadable")
class RefusesWhatItCannotRead(Controller):
    class inbox_class(Inbox):  # noqa: N801
        last: ClassVar[int] = 0

        def read(self, delivery: Delivery) -> Order | None:
            order = super().read(delivery)
            if order is None:
                return {"act": "claim", "boot": 0, "id": 1}
            return order


# ---------------------------------------------------------------- state


@faulty("MSG-02", "messages-repeat")
class BeatsATenthTooSlowly(Controller):
    class heartbeat_class(Heartbeat):  # noqa: N801
        def due_ms(self, message: str, now_ms: int, every_ms: int | None = None) -> int:
            return super().due_ms(message, now_ms, every_ms) + (0 if message == "node-status" else 300)


@faulty("MSG-03", "messages-heartbeat")
class SaysWhoItIsTooSeldom(Controller):
    class heartbeat_class(Heartbeat):  # noqa: N801
        def due_ms(self, message: str, now_ms: int, every_ms: int | None = None) -> int:
            return super().due_ms(message, now_ms, every_ms) + (1100 if message == "node-status" else 0)


@faulty("MSG-01", "messages-changes")
class TellsStateByItsClockOnly(Controller):
    def changed(self, message: str) -> bool:
        return message not in self._told


@faulty("MSG-04", "messages-boot")
class ForgetsItsBootInFaults(Controller):
    class envelope_class(Envelope):  # noqa: N801
        def wrap(self, message: str, body: Mapping[str, Any], uptime: int) -> Publication:
            if message == "fault":
                return self.bare(message, {"boot": 0, "seq": self.count(message), "uptime": uptime, **body})
            return super().wrap(message, body, uptime)


@faulty("MSG-07", "messages-seq")
class CountsAllTopicsTogether(Controller):
    class envelope_class(Envelope):  # noqa: N801
        def count(self, message: str) -> int:
            return super().count("any")


@faulty("MSG-08", "messages-uptime")
class CountsInTensOfMilliseconds(Controller):
    class uptime_class(Uptime):  # noqa: N801
        def at(self, now_ms: int) -> int:
            return super().at(now_ms) // 10


@faulty("MSG-09", "bench-wrap")
class StopsAtTheWrap(Controller):
    """Compares times with '<': after the wrap nothing is ever due."""

    newest = 0

    def tick(self, now_ms: int) -> Sequence[Publication]:
        out = super().tick(now_ms)
        return out if self.uptime >= self.newest else []

    def next_tick(self, now_ms: int) -> int | None:
        self.newest = max(self.newest, self.uptime)
        return super().next_tick(now_ms)


@faulty("MSG-12", "messages-node-status")
class BuiltWithAnOlderSiteFile(Controller):
    def node_status(self) -> dict[str, Any]:
        said = super().node_status()
        return said | {"digest": (said["digest"] + 1) % UPTIME_MODULUS}


@faulty("MSG-11", "orders-ask")
class SaysAnOldMark(Controller):
    def node_status(self) -> dict[str, Any]:
        return super().node_status() | {"mark": self.mark + 1}


@faulty("BEN-01", "bench-not-in-service", bench=False)
class TakesStimuliInService(Controller):
    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.desk.guards = self.desk.guards | {"not_on_bench": lambda order, node: False}


@faulty("BEN-03", "bench-starts")
class HidesItsStarts(Controller):
    def node_status(self) -> dict[str, Any]:
        said = super().node_status()
        said.pop("starts", None)
        return said


@faulty("BEN-04", "bench-set-uptime")
class SetsUptimeASecondLate(Controller):
    class uptime_class(Uptime):  # noqa: N801
        def set(self, uptime: int, now_ms: int) -> None:
            super().set((uptime + 1000) % UPTIME_MODULUS, now_ms)


def subscribes_last(seen: LinkPacket) -> LinkPacket | None:
    """As if the first SUBSCRIBE of every connection had never been sent, and only publishing went on."""
    return None if isinstance(seen.packet, Subscribe) and seen.connection > 1 else seen


@faulty("LNK-07", "link-subscribe-first", distort=subscribes_last)
class ForgetsToSubscribeAgain(Controller):
    pass


@faulty("MSG-10", "orders-job", node="ferry")
class ForgetsItsJobWhenItIsDone(Controller):
    def _common(self) -> dict[str, Any]:
        said = super()._common()
        if said.get("job_state") == "done":
            del said["job"], said["job_state"]
        return said


@faulty("BEN-02", "berth-times-arrival")
class PlaysStimuliTwiceAsSlowly(Controller):
    class player_class(StimulusPlayer):  # noqa: N801
        def add(self, inputs: Iterable[Sequence[object]], now_ms: int) -> None:
            super().add([(sensor, level, 2 * int(str(delay))) for sensor, level, delay in inputs], now_ms)


@faulty("ENC-07", "encoding-sizes")
class SaysMoreThanFits(Controller):
    """Adds a field of its own to fault, which is then longer than a JSON message may be."""

    class envelope_class(Envelope):  # noqa: N801
        def bare(self, message: str, body: Mapping[str, Any]) -> Publication:
            said = super().bare(message, body)
            if message != "fault":
                return said
            return replace(said, payload=said.payload[:-1] + b',"note":"' + 300 * b"n" + b'"}')


@faulty("ENC-14", "encoding-other-writing")
class ObeysHalfOfWhatItRefuses(Controller):
    """Refuses keys out of order only once it has come to the end of the map: the mark is raised by then."""

    def receive(self, delivery: Delivery, now_ms: int) -> Sequence[Publication]:
        found = read_message("job-order", delivery.payload, closed=True).findings
        if not any(one.requirement in ("ENC-02", "ENC-03") for one in found):
            return super().receive(delivery, now_ms)
        order = read_message("job-order", delivery.payload, closed=False).body
        if order is not None and order.get("boot") == self.boot:
            self.raise_mark(order["id"])
        return super().receive(replace(delivery, payload=b"{"), now_ms)
