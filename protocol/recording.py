"""The recording format: what was said on the bus, readable up to the byte at which a file was cut off.

A recording is a CBOR sequence (RFC 8742): one header, then items in the order of their arrival, then an end
mark if the recorder stopped by itself. Times are microseconds of a monotonic clock since the start of the
recording; the header says what the wall clock showed then. Payloads are kept as the bytes they were.

    header   {"yardwire": "recording", "version": 1, "site": ..., "started": ..., "source": ..., "kit": ...}
    message  [0, at_us, topic, payload, qos, retain, dup]
    event    [1, at_us, kind, text]
    end      [2, at_us, messages]

No item has more than `MOST_ITEM` bytes, no time is past `MOST_US`, and no value in an item holds others: what a
file of a stranger can cost is known before anything in it is decoded.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from io import BytesIO
from typing import Any, BinaryIO, NamedTuple

from cbor2 import CBORDecodeEOF, CBORDecodeError, CBORDecoder, dumps

from protocol.codec.untagged import NO_TAGS
from protocol.foreign_text import one_line

VERSION = 1
MAGIC_KEY = "yardwire"
MAGIC = b"\xa6\x68yardwire\x69recording"
"""How every recording begins: a map of six, its first pair the name of the format."""

MOST_ITEM = 1 << 20
"""Bytes of one item; the longest message of the protocol has about a thousand."""
MOST_US = 100 * 366 * 86_400 * 1_000_000
"""The latest time in a recording: a hundred years."""
MOST_HEADER = 1000
"""Characters of a text in the header."""
MOST_TOPIC = 0xFFFF
"""Bytes of a topic in MQTT."""

_MESSAGE, _EVENT, _END = 0, 1, 2
_QOS = range(3)
_FLAT = 1
"""Depth of an item, and of the header: one array or map of plain values."""
_CHUNK = 1 << 18
"""Bytes read at a time: what a reader holds, however long the recording is."""


class EventKind(StrEnum):
    """What besides messages happens to a recorder."""

    CONNECTED = "connected"
    DISCONNECTED = "disconnected"
    NOTE = "note"


@dataclass(frozen=True, slots=True)
class Header:
    """What a recording says of itself; `started` is UTC in ISO 8601, `source` where it was recorded."""

    site: str
    started: str
    source: str
    kit: str
    version: int = VERSION


class RecordedMessage(NamedTuple):
    """One message as it arrived. A tuple, for a recording has millions of them."""

    at_us: int
    topic: str
    payload: bytes
    qos: int
    retain: bool
    dup: bool


@dataclass(frozen=True, slots=True)
class RecordedEvent:
    """Something that befell the recorder, such as the loss of its connection."""

    at_us: int
    kind: str
    text: str


@dataclass(frozen=True, slots=True)
class RecordedEnd:
    """The recorder stopped by itself here, after so many messages."""

    at_us: int
    messages: int


Item = RecordedMessage | RecordedEvent | RecordedEnd


class NotARecording(ValueError):
    """The bytes do not begin as a recording does, or are of a version that is not known."""


class DamagedRecording(ValueError):
    """An item inside the file is not one of a recording; `byte` is where it begins."""

    def __init__(self, byte: int, what: str) -> None:
        """Say where the damage is and what stands there."""
        super().__init__(f"byte {byte}: {what}")
        self.byte = byte


class RecordingWriter:
    """Appends items to a file that is opened for writing without a buffer of its own (`buffering=0`).

    Items are gathered until `flush`. Where the disk takes only part of them the file is cut back to the last
    whole item, and the OSError goes on to the caller: nothing half-written stays.
    """

    def __init__(self, file: BinaryIO, header: Header) -> None:
        """Write the header at once. Raises OSError."""
        self._file = file
        self._pending = bytearray()
        self.size = 0
        """Bytes that are safe in the file."""
        self.messages = 0
        """Messages in the file, and those that wait for `flush`."""
        self._pending += dumps(
            {
                MAGIC_KEY: "recording",
                "version": header.version,
                "site": header.site,
                "started": header.started,
                "source": header.source,
                "kit": header.kit,
            }
        )
        self.flush()

    @property
    def waiting(self) -> int:
        """Bytes that wait for `flush`."""
        return len(self._pending)

    def message(self, item: RecordedMessage) -> None:
        """Add a message to what waits; of one that is too long for an item, a note that it was left out."""
        packed = dumps((_MESSAGE, *item))
        if len(packed) > MOST_ITEM:
            what = f"left out: a message of {len(item.payload):,} bytes on {item.topic[:100]}"
            self.event(RecordedEvent(item.at_us, EventKind.NOTE, what))
            return
        self._pending += packed
        self.messages += 1

    def event(self, item: RecordedEvent) -> None:
        """Add an event to what waits."""
        self._pending += dumps((_EVENT, item.at_us, str(item.kind), item.text))

    def flush(self) -> None:
        """Write what waits. Raises OSError where the file does not take it all; it then ends whole."""
        written = 0
        try:
            while written < len(self._pending):
                written += self._file.write(memoryview(self._pending)[written:])
        except OSError:
            whole = _whole_items(self._pending, written)
            with suppress(OSError):  # A pipe or a device cannot be cut back.
                self._file.truncate(self.size + whole)
                self._file.seek(self.size + whole)
            self.messages -= _messages_in(self._pending[whole:])
            self._settle(whole)
            raise
        self._settle(written)

    def end(self, at_us: int) -> None:
        """Add the end mark and write all; the file stays open. Raises OSError."""
        self._pending += dumps((_END, at_us, self.messages))
        self.flush()

    def _settle(self, written: int) -> None:
        """`written` bytes are safe; what was not is given up."""
        self.size += written
        self._pending = bytearray()


def _messages_in(data: bytes | bytearray) -> int:
    """How many of these whole items are messages."""
    stream = BytesIO(data)
    decoder = CBORDecoder(stream)
    found = 0
    while stream.tell() < len(data):
        item = decoder.decode()
        found += isinstance(item, list) and item[0] == _MESSAGE
    return found


def _whole_items(data: bytes | bytearray, written: int) -> int:
    """How many of the first `written` bytes are whole items."""
    stream = BytesIO(data)
    decoder = CBORDecoder(stream)
    whole = 0
    while stream.tell() < written:
        decoder.decode()
        if stream.tell() <= written:
            whole = stream.tell()
    return whole


class RecordingReader:
    """Iterates over the items of a recording; memory does not grow with its length.

    The texts of header and events come as one line each, harmless to a terminal; topics and payloads as they were.

    After the iteration `cut_at` is the byte of the unfinished item at which the file breaks off, or None;
    `ended` tells whether the recorder stopped by itself.
    """

    def __init__(self, file: BinaryIO) -> None:
        """Read the header from the file's present place. Raises NotARecording."""
        self._file = file
        self._held = b""
        self._at = 0
        """Where in the recording `_held` begins."""
        self.cut_at: int | None = None
        self.ended = False
        self.byte = 0
        """Where the item begins that was given last."""
        self._values = self._decode()
        self._more()
        if not self._held.startswith(MAGIC):
            raise NotARecording("this is not a recording: it does not begin as one")
        self.header = _header(next(self._values, (0, None))[1])

    def skip_to(self, byte: int) -> None:
        """Go on with the item that begins at `byte`, of a file that can be sought in."""
        self._file.seek(byte)
        self._held, self._at = b"", byte
        self._values = self._decode()

    def __iter__(self) -> Iterator[Item]:
        """Yield the items. Raises DamagedRecording at one that is none."""
        new = tuple.__new__
        for begin, value in self._values:
            self.byte = begin
            if type(value) is list and len(value) == 7 and _is_message(value):
                yield new(RecordedMessage, value[1:])
            else:
                yield self._other(begin, value)

    def _decode(self) -> Iterator[tuple[int, Any]]:
        """Every value with the byte at which it begins, chunk by chunk."""
        while True:
            stream = BytesIO(self._held)
            decode = CBORDecoder(
                stream, max_depth=_FLAT, allow_indefinite=False, semantic_decoders=NO_TAGS
            ).decode
            tell = stream.tell
            size = len(self._held)
            begin = 0
            try:
                while begin < size:
                    value = decode()
                    yield self._at + begin, value
                    begin = tell()
            except CBORDecodeEOF:
                pass
            except CBORDecodeError as error:
                raise DamagedRecording(self._at + begin, f"no item of a recording: {error}") from error
            self._held = self._held[begin:]
            self._at += begin
            if len(self._held) > MOST_ITEM:
                what = f"an item of more than {MOST_ITEM:,} bytes, which is the most that a recording has"
                raise DamagedRecording(self._at, what)
            if not self._more():
                self.cut_at = self._at if self._held else None
                return

    def _more(self) -> bool:
        """Read on, twice as far for an item that is longer than what is held."""
        more = self._file.read(max(_CHUNK, len(self._held)))
        self._held += more
        return bool(more)

    def _other(self, begin: int, value: Any) -> Item:
        match value:
            case [int(mark), int(at), str(kind), str(text)] if mark == _EVENT and 0 <= at <= MOST_US:
                return RecordedEvent(at, one_line(kind), one_line(text))
            case [int(mark), int(at), int(messages)] if mark == _END and 0 <= at <= MOST_US:
                self.ended = True
                return RecordedEnd(at, messages)
            case [int(), int(at), *_] if not 0 <= at <= MOST_US:
                what = f"the time {at} us, where a recording has 0 to {MOST_US}"
            case [int(mark), _, str(topic), *_] if mark == _MESSAGE and len(topic) > MOST_TOPIC:
                what = f"a topic of {len(topic)} characters, and MQTT has {MOST_TOPIC} bytes"
            case _:
                what = f"no item of a recording: {_seen(value)}"
        raise DamagedRecording(begin, what)


def _is_message(value: list[Any]) -> bool:
    kind, at, topic, payload, qos, retain, dup = value
    return (
        type(kind) is int
        and kind == _MESSAGE
        and type(at) is int
        and 0 <= at <= MOST_US
        and type(topic) is str
        and len(topic) <= MOST_TOPIC
        and type(payload) is bytes
        and type(qos) is int
        and qos in _QOS
        and type(retain) is bool
        and type(dup) is bool
    )


def _seen(value: Any) -> str:
    """A value that is none of a recording, in a few words whatever its size."""
    if isinstance(value, (list, dict)):
        return f"{'an array' if isinstance(value, list) else 'a map'} of {len(value)}"
    return ascii(value[:30] if isinstance(value, (str, bytes)) else value)


def _header(value: Any) -> Header:
    match value:
        case {
            "yardwire": "recording",
            "version": int(version),
            "site": str(site),
            "started": str(started),
            "source": str(source),
            "kit": str(kit),
        }:
            if version != VERSION:
                raise NotARecording(f"version {version} of the format; this kit reads version {VERSION}")
            if max(map(len, (site, started, source, kit))) > MOST_HEADER:
                raise NotARecording(f"byte 0: a text in the header has more than {MOST_HEADER} characters")
            if not _is_time(started):
                what = f"byte 0: the header says that it was started {started[:40]!a}, which is not a time"
                raise NotARecording(what)
            return Header(one_line(site), started, one_line(source), one_line(kit), version)
    raise NotARecording("the header is cut off or incomplete")


def _is_time(text: str) -> bool:
    """Whether it is a time in ISO 8601 that leaves room for `MOST_US`."""
    try:
        return 1970 <= datetime.fromisoformat(text).year < 9000
    except ValueError:
        return False
