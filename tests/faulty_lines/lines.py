"""Ends of a serial line as firmware gets them wrong."""

from __future__ import annotations

from dataclasses import replace

from protocol.counting import next_count
from protocol.participant import Delivery
from protocol.wire.serial.framing import COMPLEMENT, ESCAPE, FLAG, Frame, FrameReader, fcs
from protocol.wire.serial.line_message import Bus, Connection
from protocol.wire.serial.node_line import NodeLine
from tests.faulty_lines.faulty_line import faulty


@faulty("SER-03", "serial-frames")
class EscapesControlCharacters(NodeLine):
    """The map of control characters that PPP starts with."""

    def encoded(self, frame: Frame) -> bytes:
        inside = bytes((frame.kind,)) + frame.payload
        inside += fcs(inside)
        out = bytearray((FLAG,))
        for octet in inside:
            escaped = octet in (FLAG, ESCAPE) or octet < 0x20
            out += bytes((ESCAPE, octet ^ COMPLEMENT)) if escaped else bytes((octet,))
        return bytes(out) + bytes((FLAG,))


class _NoCheck(FrameReader):
    def _end(self) -> Frame | None:
        inside, escaped = self._inside, self._escaped
        self._inside, self._escaped, self._too_long = bytearray(), False, False
        return None if not inside or escaped or len(inside) < 3 else Frame(inside[0], bytes(inside[1:-2]))


@faulty("SER-04", "serial-garbage")
class LooksAtNoCheck(NodeLine):
    reader_class = _NoCheck


class _TakesGivenUp(FrameReader):
    def _end(self) -> Frame | None:
        self._escaped = False
        return super()._end()


@faulty("SER-04", "serial-garbage")
class TakesFramesThatWereGivenUp(NodeLine):
    reader_class = _TakesGivenUp


class _GetsStuck(FrameReader):
    def _end(self) -> Frame | None:
        if self._too_long:
            return None  # The buffer is full, and nobody empties it.
        return super()._end()


@faulty("SER-04", "serial-garbage")
class GetsStuckBehindALongFrame(NodeLine):
    """The fence behind the garbage finds it: no answer any more to any order."""

    reader_class = _GetsStuck


@faulty("SER-04", "serial-garbage")
class TakesItsOwnKinds(NodeLine):
    """The kind is masked where it should be compared: an echo passes for an order."""

    def receive(self, frame: Frame, now_ms: int) -> None:
        super().receive(replace(frame, kind=frame.kind | 0x80), now_ms)


@faulty("SER-05", "serial-says-here")
class SaysHereTooSeldom(NodeLine):
    def beat_ms(self) -> int:
        return 1400


@faulty("SER-05", "serial-says-here")
class SaysHereTooOften(NodeLine):
    def beat_ms(self) -> int:
        return 40


@faulty("SER-05", "serial-says-here")
class AsksTwoAhead(NodeLine):
    """The count is raised where the bus goes and once more where it comes."""

    def next_connection(self) -> Connection:
        wanted = super().next_connection()
        return wanted if wanted.link == 1 else replace(wanted, link=next_count(wanted.link))


@faulty("SER-06", "serial-bus-goes")
class NeverNoticesThatItIsTold(NodeLine):
    def heard(self, bus: Bus, now_ms: int) -> None:
        if bus.state != "off":
            super().heard(bus, now_ms)


@faulty("SER-06", "serial-bus-goes")
class GivesUpTooSoon(NodeLine):
    def silence_ms(self) -> int:
        return 1500


@faulty("SER-06", "serial-bus-goes")
class GivesUpTooLate(NodeLine):
    def silence_ms(self) -> int:
        return 5000


@faulty("SER-06", "serial-bus-goes")
class BelievesWhatIsSaidOfOthers(NodeLine):
    """Neither boot nor link count is looked at."""

    def is_mine(self, connection: Connection) -> bool:
        return True


@faulty("SER-06", "serial-bus-goes")
class LooksAtTheBootAlone(NodeLine):
    def is_mine(self, connection: Connection) -> bool:
        return connection.boot == self.connection.boot


@faulty("SER-07", "serial-orders-without-the-bus")
class TakesOrdersWithoutTheBus(NodeLine):
    def order(self, topic: str, payload: bytes, now_ms: int) -> None:
        self.publish(self.participant.receive(Delivery(topic, payload, 1), now_ms))


@faulty("SER-07", "serial-orders-without-the-bus")
class IsDeafWithoutTheBus(NodeLine):
    """A hold is dropped with the other orders."""

    def order(self, topic: str, payload: bytes, now_ms: int) -> None:
        if self.up:
            super().order(topic, payload, now_ms)


@faulty("SER-07", "serial-orders-without-the-bus")
class GoesOnTalking(NodeLine):
    """The bus has gone, and its heartbeat goes on."""

    def say_here(self, now_ms: int) -> None:
        super().say_here(now_ms)
        if not self.up and self.connection.link > 1:
            self.send(Frame(self._numbers["fault"], b"\xa0"))


@faulty("SER-08", "serial-status-again")
class SaysItOnce(NodeLine):
    def told_new(self, now_ms: int) -> None:
        if not self.up:
            super().told_new(now_ms)


@faulty("SER-08", "serial-status-again")
class CountsEachTime(NodeLine):
    """'new' again is taken for another connection."""

    def told_new(self, now_ms: int) -> None:
        was_up, self.up = self.up, True
        self.publish(self.participant.connected(now_ms))
        if was_up:
            self.connection = replace(self.connection, link=next_count(self.connection.link))
