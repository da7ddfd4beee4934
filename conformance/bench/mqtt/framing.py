"""Cutting a byte stream into MQTT control packets, and the primitive fields they are made of.

Section numbers are those of 'MQTT Version 3.1.1' (OASIS Standard, 29 October 2014) unless 'v5' precedes them,
then of 'MQTT Version 5.0' (OASIS Standard, 7 March 2019). The fixed header is the same in both.
"""

from __future__ import annotations

from dataclasses import dataclass

MAX_REMAINING_LENGTH = 268_435_455
"""The largest value four bytes can carry (section 2.2.3, table 2.4)."""


class Malformed(Exception):
    """Bytes that are no MQTT control packet, with the place where it shows."""

    def __init__(self, what: str, at: int) -> None:
        """Say what is wrong and at which byte of the packet, counted from 0."""
        super().__init__(f"{what} (byte {at} of the packet)")
        self.what = what
        self.at = at


def encode_length(value: int) -> bytes:
    """Encode a remaining length, or any variable byte integer, in one to four bytes.

    Section 2.2.3, its first algorithm; v5 section 1.5.5 calls it a variable byte integer.
    Raises ValueError outside 0..268,435,455.
    """
    if not 0 <= value <= MAX_REMAINING_LENGTH:
        raise ValueError(f"{value} does not fit a remaining length (0..{MAX_REMAINING_LENGTH})")
    out = bytearray()
    while True:
        value, digit = divmod(value, 128)
        out.append(digit | 0x80 if value else digit)
        if not value:
            return bytes(out)


def decode_length(data: bytes | bytearray, at: int) -> tuple[int, int] | None:
    """Decode a variable byte integer: (value, index behind it), or None when bytes are still missing.

    Section 2.2.3, its second algorithm. Raises Malformed when a fourth byte announces a fifth.
    """
    value = 0
    for index in range(4):
        if at + index >= len(data):
            return None
        byte = data[at + index]
        value += (byte & 0x7F) << (7 * index)
        if not byte & 0x80:
            return value, at + index + 1
    raise Malformed("the length does not end within four bytes", at + 3)


def packet(first_byte: int, body: bytes) -> bytes:
    """Put a fixed header before `body` (section 2.2)."""
    return bytes([first_byte]) + encode_length(len(body)) + body


def string(value: str) -> bytes:
    """Encode a UTF-8 string behind its two-byte length (section 1.5.3)."""
    return binary(value.encode())


def binary(value: bytes) -> bytes:
    """Encode bytes behind their two-byte length, as will message and password are (section 3.1.3)."""
    return len(value).to_bytes(2, "big") + value


class Splitter:
    """Collects a stream in pieces of any size and gives back whole packets, byte for byte."""

    def __init__(self, limit: int = MAX_REMAINING_LENGTH) -> None:
        """`limit` is the largest whole packet accepted, in bytes, its fixed header included."""
        self._buffer = bytearray()
        self._limit = limit

    @property
    def rest(self) -> bytes:
        """The bytes that do not make a whole packet yet."""
        return bytes(self._buffer)

    def feed(self, data: bytes) -> None:
        """Add bytes as they came from the stream."""
        self._buffer += data

    def next_packet(self) -> bytes | None:
        """Give the next whole packet, or None.

        Raises Malformed for a length that never ends or a packet over the limit; the bytes stay in `rest`.
        """
        if not self._buffer:
            return None
        length = decode_length(self._buffer, 1)
        if length is None:
            return None
        remaining, start = length
        if start + remaining > self._limit:
            raise Malformed(f"a packet of {start + remaining} bytes is longer than {self._limit}", 1)
        if len(self._buffer) < start + remaining:
            return None
        whole = bytes(self._buffer[: start + remaining])
        del self._buffer[: start + remaining]
        return whole


@dataclass(slots=True)
class Cursor:
    """Reads the fields of one packet from front to back; every step past the end is Malformed."""

    data: bytes
    at: int

    def take(self, count: int, what: str) -> bytes:
        """Take `count` bytes, named `what` in the error."""
        if self.at + count > len(self.data):
            raise Malformed(f"the packet ends within its {what}", len(self.data))
        piece = self.data[self.at : self.at + count]
        self.at += count
        return piece

    def byte(self, what: str) -> int:
        """One byte."""
        return self.take(1, what)[0]

    def word(self, what: str) -> int:
        """Two bytes, most significant first (section 1.5.2)."""
        return int.from_bytes(self.take(2, what), "big")

    def binary(self, what: str) -> bytes:
        """Bytes behind a two-byte length."""
        return self.take(self.word(f"length of the {what}"), what)

    def string(self, what: str) -> str:
        """UTF-8 behind a two-byte length, without U+0000 ([MQTT-1.5.3-1], [MQTT-1.5.3-2])."""
        start = self.at + 2
        raw = self.binary(what)
        try:
            text = raw.decode("utf-8")
        except UnicodeDecodeError as error:
            raise Malformed(f"the {what} is not UTF-8", start + error.start) from None
        if "\0" in text:
            raise Malformed(f"the {what} holds U+0000", start + raw.index(0))
        return text

    def length(self, what: str) -> int:
        """A variable byte integer."""
        found = decode_length(self.data, self.at)
        if found is None:
            raise Malformed(f"the packet ends within its {what}", len(self.data))
        value, self.at = found
        return value

    def rest(self) -> bytes:
        """Everything that is left."""
        return self.take(len(self.data) - self.at, "rest")

    @property
    def done(self) -> bool:
        """Whether nothing is left."""
        return self.at >= len(self.data)
