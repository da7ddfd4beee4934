"""The recording format, above all where it breaks off."""

from __future__ import annotations

import errno
import io
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

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
    RecordingWriter,
)

HEADER = Header("harlow-basin", "2026-05-02T10:00:00Z", "virtual", "0.1.0")
ITEMS: list[Item] = [
    RecordedEvent(0, EventKind.CONNECTED, "virtual"),
    RecordedMessage(1_500, "yw1/harlow-basin/north/fault", bytes.fromhex("a0"), 1, True, False),
    RecordedMessage(70_000, "yw1/harlow-basin/north/fault", b"\x00\xff not for reading", 0, False, True),
]


def written(items: list[Item]) -> bytes:
    file = io.BytesIO()
    writer = RecordingWriter(file, HEADER)
    for item in items:
        if isinstance(item, RecordedMessage):
            writer.message(item)
        elif isinstance(item, RecordedEvent):
            writer.event(item)
    writer.end(90_000)
    return file.getvalue()


def read(data: bytes) -> tuple[RecordingReader, list[Item]]:
    reader = RecordingReader(io.BytesIO(data))
    return reader, list(reader)


def test_what_was_written_is_read() -> None:
    reader, items = read(written(ITEMS))
    assert reader.header == HEADER
    assert items == [*ITEMS, RecordedEnd(90_000, 2)]
    assert reader.ended
    assert reader.cut_at is None


def test_a_cut_at_any_byte_keeps_all_whole_items_and_is_told() -> None:
    whole = written(ITEMS)
    header_size = len(written([])) - len(b"\x83\x02\x1a\x00\x01\x5f\x90\x00")
    ends = []
    for size in range(len(whole)):
        if size < header_size:
            with pytest.raises(NotARecording):
                read(whole[:size])
            continue
        reader, items = read(whole[:size])
        assert items == [*ITEMS, RecordedEnd(90_000, 2)][: len(items)]
        assert not reader.ended
        if reader.cut_at is None:
            ends.append(size)
        else:
            assert reader.cut_at < size
    assert len(ends) == len(ITEMS) + 1, "only at the end of the header and of each item is nothing cut"


def test_damage_inside_is_told_with_its_byte() -> None:
    whole = written(ITEMS)
    begin = whole.index(b"\x87\x00")
    with pytest.raises(DamagedRecording) as caught:
        read(whole[:begin] + b"\xa1" + whole[begin + 1 :])
    assert caught.value.byte == begin


def test_another_file_is_no_recording() -> None:
    for data in (b"", b"{}", MAGIC, b"\xa6\x68yardwire\x69recordinx"):
        with pytest.raises((NotARecording, DamagedRecording)):
            read(data)


class FullDisk(io.BytesIO):
    """Takes `room` bytes, as a file on a full disk does: first part of a write, then ENOSPC."""

    def __init__(self, room: int) -> None:
        super().__init__()
        self.room = room

    def write(self, data: Any) -> int:
        taken = bytes(data)[: self.room - self.tell()]
        if not taken and len(data):
            raise OSError(errno.ENOSPC, "No space left on device")
        return super().write(taken)


def test_a_full_disk_leaves_whole_items() -> None:
    whole = written(ITEMS)
    header_size = len(whole) - sum(len(part) for part in _item_bytes())
    for room in range(header_size, len(whole)):
        disk = FullDisk(room)
        writer = RecordingWriter(disk, HEADER)
        for item in ITEMS:
            if isinstance(item, RecordedMessage):
                writer.message(item)
            elif isinstance(item, RecordedEvent):
                writer.event(item)
        with pytest.raises(OSError, match="No space"):
            writer.end(90_000)
        reader, items = read(disk.getvalue())
        assert reader.cut_at is None, f"room for {room} bytes left half an item"
        assert items == ITEMS[: len(items)]


def _item_bytes() -> list[bytes]:
    """What stands behind the header, found by the last value of the header."""
    whole = written(ITEMS)
    header_end = whole.index(b"\x650.1.0") + 6
    return [whole[header_end:]]


def test_a_real_full_device(tmp_path: Path) -> None:
    full = Path("/dev/full")
    if not full.exists():
        pytest.skip("this machine has no /dev/full; Linux has")
    with full.open("r+b", buffering=0) as file, pytest.raises(OSError, match="No space"):
        RecordingWriter(file, HEADER)


@given(st.binary(max_size=80))
def test_any_bytes_behind_the_magic_end_in_a_known_way(tail: bytes) -> None:
    try:
        read(MAGIC + tail)
    except (NotARecording, DamagedRecording):
        return
