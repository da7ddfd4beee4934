"""Where a recorder writes: flushed twice a second, a new file by size or time, whole whatever happens."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import BinaryIO, cast

from conformance.recordings.files import CONTINUES, PackedFile, open_plain
from protocol.recording import EventKind, Header, RecordedEvent, RecordedMessage, RecordingWriter
from protocol.trouble import Trouble

FLUSH_US = 400_000
"""A recorder that is killed loses at most what came in the last half second."""
FLUSH_BYTES = 1 << 20


class RecordingFull(Exception):
    """The file takes no more; what is in it is whole."""


@dataclass(frozen=True, slots=True)
class Rotation:
    """When a new file is begun; 0 for never. `daily`: when a day begins, by the clock on the wall."""

    size: int = 0
    every_us: int = 0
    daily: bool = False

    def __bool__(self) -> bool:
        return bool(self.size or self.every_us or self.daily)


class RecordingFiles:
    """Takes messages with times in microseconds since the recording began, in growing order."""

    def __init__(
        self, path: Path, header: Header, rotation: Rotation | None = None, *, pack: bool = False
    ) -> None:
        """Begin the first file. Raises Trouble and OSError."""
        self._path = path
        self._header = header
        self._rotation = rotation or Rotation()
        self._pack = pack
        self._flush_at_us = FLUSH_US
        self.files: list[Path] = []
        self._before = 0
        """Messages in the files before this one."""
        self._bytes_before = 0
        self._begin(0)

    @property
    def messages(self) -> int:
        """Messages in all files together, and those that still wait to be written."""
        return self._before + self._writer.messages

    @property
    def written(self) -> int:
        """Bytes that are on the disk, all files together."""
        return self._bytes_before + self._file.tell()

    def message(self, item: RecordedMessage) -> None:
        """Take one message. Raises RecordingFull."""
        at_us = item.at_us
        if self._began_us:
            item = item._replace(at_us=at_us - self._began_us)
        writer = self._writer
        writer.message(item)
        size = self._rotation.size
        # Of many that come at once a small file takes no more than fit. What is packed is counted when it is.
        if size and writer.waiting + (0 if self._pack else writer.size) >= size:
            with _full_told():
                writer.flush()
                self._rotate(at_us)

    def note(self, at_us: int, kind: EventKind, text: str) -> None:
        """Take an event."""
        self._writer.event(RecordedEvent(at_us - self._began_us, kind, text))

    def settle(self, at_us: int) -> None:
        """Write what has waited long enough, and begin a new file if it is time. Raises RecordingFull."""
        if at_us < self._flush_at_us and self._writer.waiting < FLUSH_BYTES:
            return
        self._flush_at_us = at_us + FLUSH_US
        with _full_told():
            self._writer.flush()
            self._rotate(at_us)

    def _rotate(self, at_us: int) -> None:
        if self._full(at_us):
            following = self._name(len(self.files) + 1)
            self.note(at_us, EventKind.NOTE, f"goes on in {following.name}")
            before = self.files[-1]
            self._finish(at_us)
            self._before += self._writer.messages
            self._bytes_before += before.stat().st_size
            self._begin(at_us)
            self.note(at_us, EventKind.NOTE, f"{CONTINUES}{before.name}")

    def close(self, at_us: int) -> None:
        """Write the rest and the end mark. Raises RecordingFull."""
        with _full_told():
            self._finish(at_us)

    def abandon(self) -> None:
        """Close a file that takes no more."""
        self._file.close()

    def _full(self, at_us: int) -> bool:
        size, every = self._rotation.size, self._rotation.every_us
        if self._midnight_us is not None and at_us >= self._midnight_us:
            return True
        return bool((size and self._file.tell() >= size) or (every and at_us - self._began_us >= every))

    def _next_midnight_us(self, started: datetime, at_us: int) -> int | None:
        """When the next day begins, where this recorder stands."""
        if not self._rotation.daily:
            return None
        day = started.astimezone().date() + timedelta(days=1)
        midnight = datetime(day.year, day.month, day.day).astimezone()
        return at_us + round((midnight - started).total_seconds() * 1e6)

    def _begin(self, at_us: int) -> None:
        path = self._name(len(self.files) + 1)
        self._file = open_plain(path, "xb")
        self.files.append(path)
        self._began_us = at_us
        self._packed = PackedFile(self._file) if self._pack else None
        started = datetime.fromisoformat(self._header.started) + timedelta(microseconds=at_us)
        self._midnight_us = self._next_midnight_us(started, at_us)
        header = replace(self._header, started=started.isoformat())
        self._writer = RecordingWriter(cast("BinaryIO", self._packed or self._file), header)

    def _finish(self, at_us: int) -> None:
        self._writer.end(at_us - self._began_us)
        if self._packed is not None:
            self._packed.finish()
        self._file.close()

    def _name(self, number: int) -> Path:
        if not self._rotation:
            return self._path
        return self._path.with_name(f"{self._path.stem}-{number:04}{self._path.suffix}")


@contextmanager
def _full_told() -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise RecordingFull(error.strerror or str(error)) from error
    except Trouble as error:
        raise RecordingFull(str(error)) from error


def now_iso() -> str:
    """The wall clock, UTC, to the microsecond."""
    return datetime.now(UTC).isoformat()
