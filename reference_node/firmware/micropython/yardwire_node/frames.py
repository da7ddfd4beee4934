"""Frames on a serial line, as RFC 1662 has them: escaped octets, FCS-16, a kind byte before the payload [SER-03]."""

from .tables import FRAME_MOST

FLAG, ESCAPE, COMPLEMENT, SHORTEST = 0x7E, 0x7D, 0x20, 3
GOOD = 0xF0B8

# The FCS of appendix C.2, four bits at a time.
NIBBLES = (
    0x0000, 0x1081, 0x2102, 0x3183, 0x4204, 0x5285, 0x6306, 0x7387,
    0x8408, 0x9489, 0xA50A, 0xB58B, 0xC60C, 0xD68D, 0xE70E, 0xF78F,
)  # fmt: skip


def fcs_of(content: bytes) -> int:
    """The FCS over these bytes, as it is before it is complemented and sent."""
    fcs = 0xFFFF
    for byte in content:
        fcs = fcs >> 4 ^ NIBBLES[(fcs ^ byte) & 15]
        fcs = fcs >> 4 ^ NIBBLES[(fcs ^ byte >> 4) & 15]
    return fcs


def frame_of(kind: int, payload: bytes) -> bytes:
    """A whole frame with its flags."""
    content = bytes((kind,)) + payload
    fcs = fcs_of(content) ^ 0xFFFF
    out = bytearray((FLAG,))
    for byte in content + bytes((fcs & 0xFF, fcs >> 8)):
        if byte in (FLAG, ESCAPE):
            out.append(ESCAPE)
            byte ^= COMPLEMENT
        out.append(byte)
    out.append(FLAG)
    return bytes(out)


class FrameReader:
    """Takes what comes byte by byte; what is no whole frame with a right FCS is dropped [SER-04]."""

    def __init__(self) -> None:
        self._frame = bytearray(FRAME_MOST)
        self._size = 0  # above the most where it is too long
        self._inside = self._escaped = False

    def take(self, byte: int) -> tuple | None:
        """Kind and payload of the frame that ends with this byte, or None."""
        if byte == FLAG:
            found = None
            if self._inside and not self._escaped and SHORTEST <= self._size <= FRAME_MOST:
                content = bytes(self._frame[: self._size])
                if fcs_of(content) == GOOD:
                    found = content[0], content[1:-2]
            self._inside, self._escaped, self._size = True, False, 0
            return found
        if byte == ESCAPE and not self._escaped:
            self._escaped = True
            return None
        if self._escaped:
            byte ^= COMPLEMENT
            self._escaped = False
        if self._size < FRAME_MOST:
            self._frame[self._size] = byte
        if self._size <= FRAME_MOST:
            self._size += 1
        return None
