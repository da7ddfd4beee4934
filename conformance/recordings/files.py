"""Recordings as files: plain or zstd, one or several that continue each other, never written over."""

from __future__ import annotations

import atexit
import os
import shutil
import sys
import tempfile
from collections.abc import Iterable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from pathlib import Path
from typing import Any, BinaryIO, cast

from protocol.recording import (
    MAGIC,
    DamagedRecording,
    EventKind,
    Header,
    Item,
    NotARecording,
    RecordedEnd,
    RecordedEvent,
    RecordedMessage,
    RecordingReader,
)
from protocol.trouble import Trouble

ZSTD_MAGIC = b"\x28\xb5\x2f\xfd"
MOST_WINDOW = 8 << 20
"""Bytes of what a packed file may refer back to: what every decoder should support (RFC 8878 section 3.1.1.1.2)."""
FREE = 4 << 20
MOST_RATIO = 16
"""A recording unpacks to `FREE` bytes and so many times its packed size at most; real ones to five to ten times."""


STANDARD_INPUT = Path("-")
CONTINUES = "continues "
"""How the first note of a file begins that the recorder began because the one before was full."""


def require_folder_of(path: Path) -> None:
    """Raise Trouble for what is in no folder: runs have their names, and what is said of them, beside their files."""
    if path == STANDARD_INPUT:
        what = "runs have their names in the folder of their recordings, and standard input is in none"
        raise Trouble(what, where=str(path), fix="Write it to a file first")


@cache
def _copy_of_standard_input() -> Path:
    """A file with all of standard input: a recording is read more than once. It is removed at the end."""
    number, name = tempfile.mkstemp(prefix="yardwire-", suffix=".ywrec")
    atexit.register(Path(name).unlink, missing_ok=True)
    with os.fdopen(number, "wb") as copy:
        shutil.copyfileobj(sys.stdin.buffer, copy)
    return Path(name)


def open_plain(path: Path, mode: str = "rb") -> BinaryIO:
    """Open a file ('-' to be read is standard input), in the words of a user where that fails. Raises Trouble."""
    try:
        if path == STANDARD_INPUT and mode == "rb":
            path = _copy_of_standard_input()
        return cast("BinaryIO", path.open(mode, buffering=0 if mode == "xb" else -1))
    except FileExistsError:
        fix = "Name another; a recording is never written over"
        raise Trouble("there is a file of this name already", where=str(path), fix=fix) from None
    except OSError as error:
        raise Trouble(f"cannot be opened: {error.strerror}", where=str(path), fix="Check the name") from None


def is_recording(path: Path) -> bool:
    """Whether a file is a recording, plain or packed; False for what cannot be read."""
    if not path.is_file():
        return False
    try:
        with path.open("rb") as file:
            begin = file.read(len(MAGIC))
    except OSError:
        return False
    return begin == MAGIC or begin.startswith(ZSTD_MAGIC)


@contextmanager
def open_recording(path: Path) -> Iterator[BinaryIO]:
    """The bytes of a recording, unpacked if it is packed. Raises Trouble."""
    with ExitStack() as stack:
        file = stack.enter_context(open_plain(path))
        packed = file.read(len(ZSTD_MAGIC)) == ZSTD_MAGIC
        file.seek(0)
        if packed:
            zstandard = _zstandard(path)
            unpacker = zstandard.ZstdDecompressor(max_window_size=MOST_WINDOW)
            stream = stack.enter_context(unpacker.stream_reader(file, read_across_frames=True, closefd=False))
            most = FREE + MOST_RATIO * os.fstat(file.fileno()).st_size
            file = cast("BinaryIO", _Bounded(stream, most))
        yield file


class _Bounded:
    """Gives no more than `most` bytes of what is unpacked."""

    def __init__(self, stream: Any, most: int) -> None:
        self._stream = stream
        self._most = most
        self._given = 0

    def read(self, size: int) -> bytes:
        """The next bytes. Raises DamagedRecording where there are more than there may be."""
        more: bytes = self._stream.read(size)
        self._given += len(more)
        if self._given > self._most:
            what = f"it unpacks to more than {self._most:,} bytes, {MOST_RATIO} times its size and {FREE >> 20} MiB"
            raise DamagedRecording(self._most, what)
        return more


def _zstandard(path: Path) -> Any:
    try:
        import zstandard
    except ImportError:
        fix = "pip install zstandard"
        raise Trouble(
            "packed with zstd, and the package zstandard is not installed", where=str(path), fix=fix
        ) from None
    return zstandard


class PackedFile:
    """A file that packs with zstd; each write can be read back on its own as soon as it has returned."""

    def __init__(self, file: BinaryIO) -> None:
        import zstandard

        self._file = file
        self._whole = 0
        self._packer = zstandard.ZstdCompressor(level=3).compressobj()
        self._block = zstandard.COMPRESSOBJ_FLUSH_BLOCK
        self._finish = zstandard.COMPRESSOBJ_FLUSH_FINISH

    def write(self, data: bytes | bytearray | memoryview) -> int:
        """Write all of it. Raises OSError where the disk does not take it; the file then ends as before."""
        self._put(self._packer.compress(data) + self._packer.flush(self._block))
        return len(data)

    def truncate(self, size: int) -> int:
        """What did not fit has been cut away already."""
        return size

    def seek(self, place: int) -> int:
        """A packed file only grows."""
        return place

    def finish(self) -> None:
        """End the frame. Raises OSError."""
        self._put(self._packer.flush(self._finish))

    def _put(self, packed: bytes) -> None:
        written = 0
        try:
            while written < len(packed):
                written += self._file.write(packed[written:])
        except OSError:
            self._file.truncate(self._whole)
            self._file.seek(self._whole)
            raise
        self._whole += written


NO_END_MARK = "the recorder was killed, lost its power, or had no room left to write it"


@dataclass(frozen=True, slots=True)
class Section:
    """A stretch of a recording: from a byte of its first file up to a byte of its last (None: to its end).

    Bytes count what is in the recording, of a packed file after unpacking.
    """

    first_byte: int
    end_byte: int | None
    first_us: int
    """Time of its first item, in the first file's own time."""
    end_us: int
    """Where it ends, in the last file's own time."""

    def items(self, reader: RecordingReader, *, first: bool, last: bool, seek: bool) -> Iterator[Item]:
        """What of a file is in it. Raises Trouble where the file is not what it was."""
        if first and seek:
            reader.skip_to(self.first_byte)
        begun, messages = not first, 0
        for item in reader:
            if not begun:
                if reader.byte < self.first_byte:
                    continue
                if item.at_us != self.first_us:
                    break
                begun = True
            if last and self.end_byte is not None and reader.byte >= self.end_byte:
                reader.ended = True
                yield RecordedEnd(self.end_us, messages)
                return
            messages += isinstance(item, RecordedMessage)
            yield item
        if not begun:
            raise Trouble("the file is not what it was when its runs were looked up", fix="Try again")


@dataclass(slots=True)
class Source:
    """One recording in one file or several, or a run of one; `cuts` says where any of them breaks off."""

    paths: tuple[Path, ...]
    header: Header
    cuts: list[str]
    ended: bool = False
    broken_at: tuple[Path, int] | None = None
    """File and byte at which an item is cut off."""
    section: Section | None = None
    """The stretch that it is; None for all that is in the files."""
    label: str = ""

    @property
    def name(self) -> str:
        """The run, or the file, or the first of them with the number of the others."""
        more = f" and {len(self.paths) - 1} more" if len(self.paths) > 1 else ""
        return self.label or f"{self.paths[0]}{more}"

    def items(self) -> Iterator[Item]:
        """All items, times counted from the beginning. Raises Trouble."""
        for number, path in enumerate(self.paths, 1):
            with open_recording(path) as file, damage_told(path):
                reader = RecordingReader(file)
                shift = _shift_us(self.header, reader.header)
                items: Iterable[Item] = reader
                if self.section is not None:
                    first, last, seek = number == 1, number == len(self.paths), not isinstance(file, _Bounded)
                    items = self.section.items(reader, first=first, last=last, seek=seek)
                yield from _shifted(items, shift) if shift else items
                self.ended = reader.ended
                if reader.cut_at is not None:
                    self.broken_at = (path, reader.cut_at)
                    self.cuts.append(f"{path} breaks off at byte {reader.cut_at}; all before it was read")
                elif not reader.ended:
                    self.cuts.append(f"{path} ends without the recorder's end mark: {NO_END_MARK}")


def source(paths: tuple[Path, ...], *, together: bool = False) -> Source:
    """A recording to be read: one file, or those of one recording; with `together` any of one site.

    Raises Trouble where it is none, of more than one site, or where a file does not continue another.
    """
    if paths.count(STANDARD_INPUT) > 1:
        raise Trouble("standard input is named twice", where="-", fix="Name it once")
    headers, continues = [], {}
    for path in paths:
        with open_recording(path) as file, damage_told(path):
            reader = RecordingReader(file)
            headers.append(reader.header)
            continues[path] = together or len(paths) == 1 or continued_by(reader) is not None
    for path, header in zip(paths, headers, strict=True):
        if header.site != headers[0].site:
            what = f"a recording of {header.site}, where the first is of {headers[0].site}"
            raise Trouble(what, where=str(path), fix="Name the files of one recording")
    in_order = sorted(zip(headers, paths, strict=True), key=lambda pair: pair[0].started)
    for _, path in in_order[1:]:
        if not continues[path]:
            what = f"does not continue {in_order[0][1]}: it is a recording of its own"
            raise Trouble(what, where=str(path), fix=NOT_ONE_RECORDING)
    return Source(tuple(path for _, path in in_order), in_order[0][0], [])


NOT_ONE_RECORDING = (
    "Name the files of one recording; 'yardwire show --together' shows several on one time axis"
)


def continued_by(reader: RecordingReader) -> str | None:
    """The name of the file that this one goes on from, because it was full; None where it is a beginning."""
    match next(iter(reader), None):
        case RecordedEvent(kind=EventKind.NOTE, text=text) if text.startswith(CONTINUES):
            return text.removeprefix(CONTINUES)
    return None


@contextmanager
def damage_told(path: Path) -> Iterator[None]:
    """Raises Trouble for what shows, while a file is read, that it is no recording or damaged."""
    try:
        yield
    except NotARecording as error:
        fix = "Make one with 'yardwire record'"
        raise Trouble(str(error), where=str(path), fix=fix) from None
    except DamagedRecording as error:
        fix = "What stands before it was read; cut the file there to be rid of this message"
        raise Trouble(f"the recording is damaged: {error}", where=str(path), fix=fix) from None
    except OSError as error:
        raise Trouble(f"cannot be read: {error.strerror or error}", where=str(path)) from None
    except Exception as error:
        if type(error).__name__ != "ZstdError":
            raise
        raise Trouble(f"damaged: {error}", where=str(path), fix="Record it again") from None


def _shift_us(first: Header, this: Header) -> int:
    if first is this or first.started == this.started:
        return 0
    try:
        gap = datetime.fromisoformat(this.started) - datetime.fromisoformat(first.started)
    except (ValueError, TypeError):
        return 0
    return round(gap.total_seconds() * 1e6)


def _shifted(items: Iterable[Item], shift: int) -> Iterator[Item]:
    for item in items:
        match item:
            case RecordedMessage():
                yield item._replace(at_us=item.at_us + shift)
            case RecordedEvent(at, kind, text):
                yield RecordedEvent(at + shift, kind, text)
            case RecordedEnd(at, messages):
                yield RecordedEnd(at + shift, messages)
