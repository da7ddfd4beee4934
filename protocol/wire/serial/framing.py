"""Frames on a serial line: the octet-stuffed framing of RFC 1662 with its 16-bit FCS [SER-01, SER-03].

Of the standard this is section 4 (asynchronous lines) and appendix C.2. Address and control fields are left out, one
kind byte stands where PPP has its protocol field, and the map of control characters is 0: a sender escapes 0x7D and
0x7E, a receiver strips nothing.

What gets through damaged: an error burst of at most 16 bits never does, nor do up to 3 flipped bits in a frame; of
frames that noise has filled at random it is 1 in 65,536.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from protocol.specification import specification

FLAG = 0x7E
ESCAPE = 0x7D
COMPLEMENT = 0x20
"""What an escaped octet is XORed with (RFC 1662 section 4.2)."""
GOOD = 0xF0B8
"""The FCS register behind a whole frame that is right (RFC 1662 appendix C.2)."""
_POLYNOMIAL = 0x8408
"""x^16 + x^12 + x^5 + 1, the bits reversed as they go over the line."""
SHORTEST = 3
"""Kind byte and FCS."""


def _table() -> tuple[int, ...]:
    rows = []
    for value in range(256):
        for _ in range(8):
            value = value >> 1 ^ (_POLYNOMIAL if value & 1 else 0)
        rows.append(value)
    return tuple(rows)


_TABLE = _table()


def fcs_register(data: bytes, register: int = 0xFFFF) -> int:
    """The FCS register behind `data`; GOOD where a right FCS stands at its end (RFC 1662 appendix C.2)."""
    for octet in data:
        register = register >> 8 ^ _TABLE[(register ^ octet) & 0xFF]
    return register


def fcs(data: bytes) -> bytes:
    """The FCS of `data` as it goes over the line, low byte first."""
    return (fcs_register(data) ^ 0xFFFF).to_bytes(2, "little")


@dataclass(frozen=True, slots=True)
class Frame:
    """One frame with a right FCS."""

    kind: int
    payload: bytes


class TooLong(ValueError):
    """A payload for which no frame is large enough."""


def encode_frame(frame: Frame) -> bytes:
    """A frame as it goes over the line, flags and escapes included. Raises TooLong."""
    inside = bytes((frame.kind,)) + frame.payload
    inside += fcs(inside)
    most = specification().most("frame")
    if len(inside) > most:
        raise TooLong(f"a frame of {len(inside)} bytes, where {most} are allowed")
    stuffed = bytearray((FLAG,))
    for octet in inside:
        stuffed += bytes((ESCAPE, octet ^ COMPLEMENT)) if octet in (FLAG, ESCAPE) else bytes((octet,))
    stuffed.append(FLAG)
    return bytes(stuffed)


@dataclass(slots=True)
class Dropped:
    """What a reader has dropped so far, in frames but for the first."""

    stray: int = 0
    """Bytes before the first flag."""
    damaged: int = 0
    """A wrong FCS."""
    short: int = 0
    """Too few bytes for a kind and an FCS; two flags with nothing between them are no frame."""
    long: int = 0
    """More bytes than a frame may have."""
    aborted: int = 0
    """An escape right before the flag: its sender gave it up (RFC 1662 section 4.3)."""


class FrameReader:
    """Finds the frames in the bytes of a line, in whatever pieces they come [SER-04].

    It keeps no more than one frame, and nothing that a line may carry raises an error.
    """

    def __init__(self) -> None:
        self.dropped = Dropped()
        self._most = specification().most("frame")
        self._inside: bytearray | None = None
        """What has come since the last flag; None before the first one."""
        self._escaped = False
        self._too_long = False

    def feed(self, data: bytes) -> Iterator[Frame]:
        """The frames that end in `data`. The iterator has to be run to its end."""
        for octet in data:
            if octet == FLAG:
                frame = self._end()
                if frame is not None:
                    yield frame
            elif self._inside is None:
                self.dropped.stray += 1
            else:
                self._add(octet)

    def _add(self, octet: int) -> None:
        assert self._inside is not None
        if self._escaped:
            octet, self._escaped = octet ^ COMPLEMENT, False
        elif octet == ESCAPE:
            self._escaped = True
            return
        if len(self._inside) < self._most:
            self._inside.append(octet)
        else:
            self._too_long = True

    def _end(self) -> Frame | None:
        """A flag has come: what stands before it, if that is a frame."""
        inside, escaped, too_long = self._inside, self._escaped, self._too_long
        self._inside, self._escaped, self._too_long = bytearray(), False, False
        if inside is None or not (inside or escaped):
            return None
        if escaped:
            self.dropped.aborted += 1
        elif too_long:
            self.dropped.long += 1
        elif len(inside) < SHORTEST:
            self.dropped.short += 1
        elif fcs_register(bytes(inside)) != GOOD:
            self.dropped.damaged += 1
        else:
            return Frame(inside[0], bytes(inside[1:-2]))
        return None
