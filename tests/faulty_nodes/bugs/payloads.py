"""Bugs in how payloads are read, each as C firmware has it."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace
from io import BytesIO

import cbor2

from protocol.guards import Order
from protocol.participant import Delivery, Publication
from protocol.validation import read_message
from reference_node.controller.controller import Controller
from reference_node.controller.inbox import Inbox
from tests.faulty_nodes.board import Crash
from tests.faulty_nodes.bugs.registry import bug


def reread(inbox: Inbox, delivery: Delivery, payload: bytes) -> Order | None:
    """What the sound part of the reader makes of other bytes."""
    return Inbox.read(inbox, replace(delivery, payload=payload))


@bug("payload")
class TrustsThatThereIsAFirstByte(Controller):
    """payload[0] of an empty payload."""

    class inbox_class(Inbox):  # noqa: N801
        def read(self, delivery: Delivery) -> Order | None:
            if not delivery.payload:
                raise Crash("read before the buffer")
            return super().read(delivery)


@bug("payload")
class StopsReadingWhereTheObjectEnds(Controller):
    """Bytes behind the end are never looked at."""

    class inbox_class(Inbox):  # noqa: N801
        def read(self, delivery: Delivery) -> Order | None:
            stream = BytesIO(delivery.payload)
            try:
                cbor2.CBORDecoder(stream).decode()
            except (cbor2.CBORDecodeError, ValueError, RecursionError):
                return super().read(delivery)
            return reread(self, delivery, delivery.payload[: stream.tell()])


@bug("payload")
class RecursesAsDeepAsToldTo(Controller):
    """A recursive decoder on a stack of 1 KB; the watchdog hides it."""

    watchdog = True

    class inbox_class(Inbox):  # noqa: N801
        def read(self, delivery: Delivery) -> Order | None:
            opens = sum(delivery.payload.count(byte) for byte in (b"[", b"\x81"))
            if opens > 20:
                raise Crash("the stack ran into the heap")
            return super().read(delivery)


@bug("payload")
class KeepsLengthsInSixteenBits(Controller):
    """A text length of 65536 + n is read as n."""

    class inbox_class(Inbox):  # noqa: N801
        def read(self, delivery: Delivery) -> Order | None:
            payload = delivery.payload
            at = payload.find(b"\x7a\x00\x01\x00")
            if at >= 0 and at + 4 < len(payload) and payload[at + 4] < 24:
                payload = payload[:at] + bytes([0x60 | payload[at + 4]]) + payload[at + 5 :]
            return reread(self, delivery, payload)


@bug("payload")
class BelievesTextLengths(Controller):
    """memcpy of as many bytes as the head says, past the end of the buffer."""

    class inbox_class(Inbox):  # noqa: N801
        def read(self, delivery: Delivery) -> Order | None:
            for key in (4, 6, 8, 19):
                for head, size in ((0x78, 1), (0x79, 2), (0x7A, 4)):
                    _, found, text = delivery.payload.partition(bytes([key, head]))
                    if found and int.from_bytes(text[:size], "big") > 128 > len(text):
                        raise Crash("copied over the stack")
            return super().read(delivery)


@bug("payload", node="north")
class CopiesLabelsWithStrcpy(Controller):
    """A box label of twelve characters and its NUL do not fit into twelve bytes: the mark lies behind."""

    def receive(self, delivery: Delivery, now_ms: int) -> Sequence[Publication]:
        body = read_message("job-order", delivery.payload, closed=False).body
        if body is not None and len(body.get("box", "")) == 12:
            self.mark &= 0xFFFFFF00
        return super().receive(delivery, now_ms)


@bug("payload", node="north")
class TakesTheLastOfTwoKeys(Controller):
    """A key named twice is no error to it."""

    class inbox_class(Inbox):  # noqa: N801
        def read(self, delivery: Delivery) -> Order | None:
            if delivery.payload[:1] == b"{":
                try:
                    once = json.loads(delivery.payload)
                except ValueError:
                    return None
                if isinstance(once, dict):
                    text = json.dumps(once, separators=(",", ":"))
                    return reread(self, delivery, text.encode(errors="replace"))
            return super().read(delivery)


@bug("payload")
class LosesTheUpperHalfOfBigIntegers(Controller):
    """2^32 + 7 is read as 7."""

    class inbox_class(Inbox):  # noqa: N801
        def read(self, delivery: Delivery) -> Order | None:
            payload = delivery.payload
            at = payload.find(b"\x1b")
            if payload[:1] != b"{" and at >= 0 and len(payload) >= at + 9:
                low = int.from_bytes(payload[at + 5 : at + 9], "big")
                payload = payload[:at] + cbor2.dumps(low) + payload[at + 9 :]
            return reread(self, delivery, payload)


@bug("payload")
class LooksUpAnyAct(Controller):
    """The table of acts has fifteen rows; row 122 is somewhere in the flash."""

    watchdog = True

    class inbox_class(Inbox):  # noqa: N801
        def read(self, delivery: Delivery) -> Order | None:
            try:
                body = cbor2.loads(delivery.payload)
            except (cbor2.CBORDecodeError, ValueError):
                return super().read(delivery)
            act = body.get(2) if isinstance(body, dict) else None
            if isinstance(act, int) and not 0 <= act < 15:
                raise Crash("jumped to nowhere")
            return super().read(delivery)


@bug("payload", node="north")
class TakesWholeFloatsForIntegers(Controller):
    """strtod reads '7.0' and '7e0' as well as '7'."""

    class inbox_class(Inbox):  # noqa: N801
        def read(self, delivery: Delivery) -> Order | None:
            payload = delivery.payload.replace(b":7.0}", b":7}").replace(b":7e0}", b":7}")
            return reread(self, delivery, payload)


@bug("payload", node="north")
class WaitsForTheSecondHalfOfSurrogates(Controller):
    r"""Behind \ud800 it looks for \u without looking for the end."""

    class inbox_class(Inbox):  # noqa: N801
        def read(self, delivery: Delivery) -> Order | None:
            if b"\\ud8" in delivery.payload:
                raise Crash("read past the buffer")
            return super().read(delivery)


@bug("payload")
class PrintsWhatItCannotReadInto64Bytes(Controller):
    """A log line with the bad payload, sprintf'ed into a buffer of 64."""

    def receive(self, delivery: Delivery, now_ms: int) -> Sequence[Publication]:
        reading = read_message("job-order", delivery.payload, closed=False)
        if reading.body is None and 100 < len(delivery.payload) < 400:
            raise Crash("printed over the stack")
        return super().receive(delivery, now_ms)


@bug("payload")
class HearsItsNeighbours(Controller):
    """Subscribes with a wildcard and compares the last level of the topic alone."""

    class inbox_class(Inbox):  # noqa: N801
        @property
        def topics(self) -> tuple[str, ...]:
            return (*super().topics, "yw1/harlow-basin/+/job-order")

        def takes(self, delivery: Delivery) -> bool:
            return delivery.topic.endswith("/job-order") and not self.ignores(delivery)


@bug("payload")
class CountsStimulusDelaysInSigned16Bits(Controller):
    """A delay of more than 32767 ms is negative, and the wait for it never ends."""

    def obey(self, order: Order) -> None:
        if order["act"] == "stimulus" and any(one[2] > 32767 for one in order["inputs"]):
            raise Crash("waits for ever")
        super().obey(order)
