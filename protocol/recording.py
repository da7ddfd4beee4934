"""The recording format: what was said on the bus, readable up to the byte at which a file was cut off.

A recording is a CBOR sequence (RFC 8742): one header, then items in the order of their arrival, then an end
mark if the recorder stopped by itself. Times are microseconds of a monotonic clock since the start of the
recording; the header says what the wall clock showed then. Payloads are kept as the bytes they were.

    header   {"yardwire": "recording", "version": 1, "site": ..., "started": ..., "source": ..., "kit": ...}
    message  [0, at_us, topic, payload, qos, retain, dup]
    event    [1, at_us, kind, text]
    end      [2, at_us, messages]
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, BinaryIO

VERSION = 1
MAGIC_KEY = "yardwire"
MAGIC = b"\xa6\x68yardwire\x69recording"
"""How every recording begins: a map of six, its first pair the name of the format."""

_MESSAGE, _EVENT, _END = 0, 1, 2


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


@dataclass(frozen=True, slots=True)
class RecordedMessage:
    """One message as it arrived."""

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
        self._ends: list[int] = []
        self._size = 0
        self.messages = 0
        """Messages handed over so far, written or waiting."""
        self._append(
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

    def message(self, item: RecordedMessage) -> None:
        """Add a message to what waits."""
        self._append([_MESSAGE, item.at_us, item.topic, item.payload, item.qos, item.retain, item.dup])
        self.messages += 1

    def event(self, item: RecordedEvent) -> None:
        """Add an event to what waits."""
        self._append([_EVENT, item.at_us, str(item.kind), item.text])

    def flush(self) -> None:
        """Write what waits. Raises OSError where the file does not take it all; it then ends whole."""
        written = 0
        try:
            while written < len(self._pending):
                written += self._file.write(self._pending[written:])
        except OSError:
            whole = max((end for end in self._ends if end <= written), default=0)
            with suppress(OSError):  # A pipe or a device cannot be cut back.
                self._file.truncate(self._size + whole)
                self._file.seek(self._size + whole)
            self._settle(whole)
            raise
        self._settle(written)

    def end(self, at_us: int) -> None:
        """Add the end mark and write all; the file stays open. Raises OSError."""
        self._append([_END, at_us, self.messages])
        self.flush()

    def _append(self, item: object) -> None:
        from cbor2 import dumps

        self._pending += dumps(item)
        self._ends.append(len(self._pending))

    def _settle(self, written: int) -> None:
        """`written` bytes are safe; what was not is given up."""
        self._size += written
        self._pending.clear()
        self._ends.clear()


class RecordingReader:
    """Iterates over the items of a recording; memory does not grow with its length.

    After the iteration `cut_at` is the byte of the unfinished item at which the file breaks off, or None;
    `ended` tells whether the recorder stopped by itself.
    """

    def __init__(self, file: BinaryIO) -> None:
        """Read the header. Raises NotARecording."""
        from cbor2 import CBORDecoder

        self._file = file
        begin = file.read(len(MAGIC))
        if begin != MAGIC:
            raise NotARecording("this is not a recording: it does not begin as one")
        file.seek(0)
        self._decoder = CBORDecoder(file, max_depth=4, allow_indefinite=False)
        self.cut_at: int | None = None
        self.ended = False
        self.header = _header(self._next())

    def __iter__(self) -> Iterator[Item]:
        """Yield the items. Raises DamagedRecording at one that is none."""
        while True:
            begin = self._file.tell()
            if not self._file.read(1):
                return
            self._file.seek(begin)
            item = self._next()
            if item is None:
                self.cut_at = begin
                return
            yield self._item(begin, item)

    def _next(self) -> Any:
        """The next value, or None where the file ends inside it."""
        from cbor2 import CBORDecodeEOF, CBORDecodeError

        begin = self._file.tell()
        try:
            return self._decoder.decode()
        except CBORDecodeEOF:
            return None
        except CBORDecodeError as error:
            raise DamagedRecording(begin, f"no item of a recording: {error}") from error

    def _item(self, begin: int, value: Any) -> Item:
        match value:
            case [0, int(at), str(topic), bytes(payload), int(qos), bool(retain), bool(dup)]:
                return RecordedMessage(at, topic, payload, qos, retain, dup)
            case [1, int(at), str(kind), str(text)]:
                return RecordedEvent(at, kind, text)
            case [2, int(at), int(messages)]:
                self.ended = True
                return RecordedEnd(at, messages)
        raise DamagedRecording(begin, f"no item of a recording: {str(value)[:40]}")


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
            return Header(site, started, source, kit, version)
    raise NotARecording("the header is cut off or incomplete")
