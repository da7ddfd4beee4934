"""The recording format, above all where it breaks off."""

from __future__ import annotations

import errno
import io
from pathlib import Path
from typing import Any

import pytest
from cbor2 import dumps
from hypothesis import given
from hypothesis import strategies as st

from protocol.recording import (
    MAGIC,
    MOST_ITEM,
    MOST_US,
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


def raw(*items: Any, **header: Any) -> bytes:
    """A recording with whatever is given as its items."""
    known = {"site": "a", "started": "2026-05-02T10:00:00Z", "source": "b", "kit": "c"} | header
    return b"".join(map(dumps, ({"yardwire": "recording", "version": 1, **known}, *items)))


MESSAGE = [0, 5, "yw1/a/b/fault", b"", 1, False, False]


@pytest.mark.parametrize("at_us", [-1, MOST_US + 1, 2**63, 2**64 - 1, 10**400])
@pytest.mark.parametrize("item", [MESSAGE, [1, 5, "note", ""], [2, 5, 0]], ids=["message", "event", "end"])
def test_a_time_that_cannot_be_is_damage(item: list[Any], at_us: int) -> None:
    sound = raw(item)
    assert len(read(sound)[1]) == 1
    with pytest.raises(DamagedRecording) as told:
        read(sound + dumps([item[0], at_us, *item[2:]]))
    assert told.value.byte == len(sound)


@pytest.mark.parametrize(
    "part",
    ["c24101", "d81c81d81d00", "8180", "a0", "f93c00", "e2", "f5", "9f00ff"],
    ids=["bignum", "holds itself", "nested", "map", "float", "simple", "true", "indefinite"],
)
def test_an_item_is_one_array_of_plain_values(part: str) -> None:
    for place in range(7):
        values = [dumps(value) for value in MESSAGE]
        values[place] = bytes.fromhex(part)
        if (place, part) in ((5, "f5"), (6, "f5")):
            continue
        with pytest.raises(DamagedRecording):
            read(raw() + b"\x87" + b"".join(values))


@pytest.mark.parametrize("qos", [-1, 3, 2**63])
def test_a_qos_is_one_of_mqtt(qos: int) -> None:
    with pytest.raises(DamagedRecording):
        read(raw([*MESSAGE[:4], qos, False, False]))


def test_an_item_that_is_announced_too_long_is_not_waited_for() -> None:
    class Endless(io.BytesIO):
        given = 0

        def read(self, size: int | None = -1, /) -> bytes:
            assert self.given < 4 * MOST_ITEM, "more is read than an item may have"
            self.given += size or 0
            return super().read(size) or bytes(size or 0)

    begin = raw()
    with pytest.raises(DamagedRecording, match="an item of more than 1,048,576 bytes") as told:
        list(RecordingReader(Endless(begin + b"\x87\x00\x05\x61a\x5b\x00\x00\x7f\xff\xff\xff\xff\xff")))
    assert told.value.byte == len(begin)


def test_the_writer_says_what_it_leaves_out() -> None:
    long = RecordedMessage(7, "yw1/a/b/fault", bytes(MOST_ITEM), 1, False, False)
    items = read(written([*ITEMS, long, *ITEMS]))[1]
    assert [item for item in items if item not in ITEMS] == [
        RecordedEvent(7, "note", "left out: a message of 1,048,576 bytes on yw1/a/b/fault"),
        RecordedEnd(90_000, 4),
    ]


@pytest.mark.parametrize(
    "header",
    [{"started": "no time"}, {"started": "9999-12-31"}, {"site": "s" * 2000}],
    ids=lambda one: next(iter(one)),
)
def test_a_header_that_cannot_be_is_told(header: dict[str, str]) -> None:
    with pytest.raises(NotARecording, match="byte 0"):
        read(raw(**header))


def test_texts_of_header_and_events_are_harmless() -> None:
    text = "a\x1b[2J\x9b\u202e\nb"
    reader, items = read(raw([1, 5, text, text], site=text, source=text, kit=text))
    assert {reader.header.site, reader.header.source, reader.header.kit} == {
        "a\\u001b[2J\\u009b\\u202e\\u000ab"
    }
    assert items == [RecordedEvent(5, reader.header.site, reader.header.site)]
