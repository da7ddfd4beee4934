"""Gateways that are wrong, each in one way; `CAUGHT_BY` names the check that must say so."""

from __future__ import annotations

from dataclasses import replace

from protocol.participant import Delivery
from protocol.wire.serial.framing import Frame, encode_frame
from protocol.wire.serial.gateway_line import GatewayLine
from protocol.wire.serial.line_message import Bus, Connection, Here


class ForgetsTheLinkCount(GatewayLine):
    def _open(self, here: Here, now_ms: int) -> None:
        super()._open(replace(here, connection=Connection(here.connection.boot, 1)), now_ms)


class KeepsTheConnectionOfTheLastLife(GatewayLine):
    def heard(self, here: Here, now_ms: int) -> None:
        if self.opening is None:
            super().heard(here, now_ms)


class TakesABootThatComesAgainForTheSame(GatewayLine):
    def _asks_again(self, here: Here) -> bool:
        return False


class NeverMindsSilence(GatewayLine):
    def tick(self, now_ms: int) -> None:
        self._heard_ms = now_ms
        super().tick(now_ms)


class TakesNoiseForLife(GatewayLine):
    def feed(self, data: bytes, now_ms: int) -> None:
        super().feed(data, now_ms)
        self._heard_ms = now_ms


class SaysThatTheBusIsThereTooSoon(GatewayLine):
    def _open(self, here: Here, now_ms: int) -> None:
        super()._open(here, now_ms)
        self.state = "new"


class TakesAnyStatus(GatewayLine):
    def _is_of_connection(self, payload: bytes) -> bool:
        return True


class SaysNothingOfWhatItDoesNotKnow(GatewayLine):
    def heard(self, here: Here, now_ms: int) -> None:
        if here.wants or self.opening is not None:
            super().heard(here, now_ms)


class LetsTheBoardFindOut(GatewayLine):
    def lost(self, now_ms: int) -> None:
        self._end(now_ms)


class SaysItOnlyOnce(GatewayLine):
    def tick(self, now_ms: int) -> None:
        self._said_ms = now_ms
        super().tick(now_ms)


class RewritesPayloads(GatewayLine):
    def pass_up(self, message: str, payload: bytes, now_ms: int) -> None:
        super().pass_up(message, payload.replace(b"\x19\x00", b"\x18"), now_ms)


class PassesOnBeforeTheStatus(GatewayLine):
    def opened(self, now_ms: int) -> None:
        super().opened(now_ms)
        self.state = "on"


class SendsOrdersTwice(GatewayLine):
    def deliver(self, delivery: Delivery) -> None:
        super().deliver(delivery)
        super().deliver(delivery)


class MixesUpWhoIsMeant(GatewayLine):
    def deliver(self, delivery: Delivery) -> None:
        super().deliver(replace(delivery, topic=delivery.topic.replace("/all/", "/siding/")))


class PassesOnRetainedOrders(GatewayLine):
    def deliver(self, delivery: Delivery) -> None:
        super().deliver(replace(delivery, retain=False))


class KeepsOrdersForLater(GatewayLine):
    def _end(self, now_ms: int) -> None:
        waiting = self._out
        self._out = type(waiting)()
        super()._end(now_ms)
        self._out = waiting


class SendsOrdersBeforeTheBusIsThere(GatewayLine):
    def deliver(self, delivery: Delivery) -> None:
        self._out.put(encode_frame(Frame(self._orders["own"], delivery.payload)))


class Stutters(GatewayLine):
    def say(self, bus: Bus, now_ms: int) -> None:
        super().say(bus, now_ms - 450)


CAUGHT_BY: dict[type[GatewayLine], str] = {
    ForgetsTheLinkCount: "opens_with_the_will_of_that_connection",
    KeepsTheConnectionOfTheLastLife: "a_board_that_starts_anew_ends_the_connection_of_its_last_life",
    TakesABootThatComesAgainForTheSame: "a_board_whose_boot_comes_again_is_another_life_all_the_same",
    NeverMindsSilence: "the_connection_ends_when_the_line_is_silent_and_no_sooner",
    TakesNoiseForLife: "damaged_frames_echoes_and_noise_are_no_life",
    SaysThatTheBusIsThereTooSoon: "nothing_is_there_until_it_is_subscribed",
    TakesAnyStatus: "new_is_said_until_the_node_status_of_that_connection_has_come",
    SaysNothingOfWhatItDoesNotKnow: "a_connection_that_is_not_known_is_not_there",
    LetsTheBoardFindOut: "the_bus_that_goes_is_told_at_once_and_the_board_asks_again_later",
    SaysItOnlyOnce: "bus_is_said_again_and_again",
    Stutters: "bus_is_said_again_and_again",
    RewritesPayloads: "payloads_pass_unchanged_with_their_flags",
    PassesOnBeforeTheStatus: "nothing_passes_before_the_node_status",
    SendsOrdersTwice: "orders_pass_once_each_of_its_kind",
    MixesUpWhoIsMeant: "orders_pass_once_each_of_its_kind",
    PassesOnRetainedOrders: "retained_orders_and_long_ones_do_not_pass",
    KeepsOrdersForLater: "an_order_that_waits_when_the_bus_goes_never_comes",
    SendsOrdersBeforeTheBusIsThere: "what_comes_before_the_subscription_stands_waits_behind_new",
}
