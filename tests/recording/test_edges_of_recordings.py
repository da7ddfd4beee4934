"""A recording at its edges: the last that is taken and the first that is not, and what is told of it."""

from __future__ import annotations

import errno
import io
from typing import Any, ClassVar

import pytest
from cbor2 import dumps

from protocol.recording import (
    MAGIC,
    MOST_ITEM,
    MOST_US,
    DamagedRecording,
    EventKind,
    Header,
    NotARecording,
    RecordedEnd,
    RecordedEvent,
    RecordedMessage,
    RecordingReader,
    RecordingWriter,
)

START = "2026-05-02T10:00:00Z"
HEADER = Header("harlow-basin", START, "virtual", "0.1.0")
TOPIC = "yw1/a/b/fault"
MESSAGE: list[Any] = [0, 5, TOPIC, b"x", 1, False, True]


def raw(*items: Any, **header: Any) -> bytes:
    known = {"site": "a", "started": START, "source": "b", "kit": "c"} | header
    return b"".join(map(dumps, ({"yardwire": "recording", "version": 1, **known}, *items)))


def items(*given: Any, **header: Any) -> list[Any]:
    return list(RecordingReader(io.BytesIO(raw(*given, **header))))


def damage(item: Any) -> str:
    with pytest.raises(DamagedRecording) as told:
        items(MESSAGE, item)
    begin = len(raw(MESSAGE))
    assert told.value.byte == begin
    assert str(told.value).startswith(f"byte {begin}: ")
    return str(told.value).partition(": ")[2]


# ---------------------------------------------------------------- what is in it
def test_the_bytes_are_those_of_the_format() -> None:
    """RFC 8742: one CBOR item behind the other; maps in the order in which the format lists their keys."""
    file = io.BytesIO()
    writer = RecordingWriter(file, HEADER)
    writer.message(RecordedMessage(5, TOPIC, b"x", 1, False, True))
    writer.event(RecordedEvent(6, EventKind.NOTE, "seen"))
    writer.end(7)
    header = {"yardwire": "recording", "version": 1, "site": "harlow-basin", "started": START, "source": "virtual",
              "kit": "0.1.0"}  # fmt: skip
    expected = [header, MESSAGE, [1, 6, "note", "seen"], [2, 7, 1]]
    assert file.getvalue() == b"".join(map(dumps, expected))
    assert file.getvalue().startswith(MAGIC)


def test_every_kind_of_item_is_given_with_the_byte_at_which_it_begins() -> None:
    given = [MESSAGE, [1, 6, "note", "seen"], [0, 7, TOPIC, b"", 2, True, False], [2, 8, 2]]
    reader = RecordingReader(io.BytesIO(raw(*given)))
    assert reader.header == Header("a", START, "b", "c", 1)
    found = [(reader.byte, item) for item in reader]
    assert [byte for byte, _ in found] == [len(raw(*given[:number])) for number in range(4)]
    assert [item for _, item in found] == [
        RecordedMessage(5, TOPIC, b"x", 1, False, True),
        RecordedEvent(6, "note", "seen"),
        RecordedMessage(7, TOPIC, b"", 2, True, False),
        RecordedEnd(8, 2),
    ]
    assert (reader.ended, reader.cut_at) == (True, None)


def test_reading_goes_on_at_any_item() -> None:
    given = [[1, at, "note", "x" * at] for at in range(5)]
    for number in range(6):
        reader = RecordingReader(io.BytesIO(raw(*given)))
        reader.skip_to(len(raw(*given[:number])))
        found = [(reader.byte, item.at_us) for item in reader]
        assert found == [(len(raw(*given[:at])), at) for at in range(number, 5)]
        assert not reader.ended


def test_where_it_is_cut_is_the_byte_of_the_unfinished_item() -> None:
    whole = raw(MESSAGE, MESSAGE)
    for cut in (1, 5, len(dumps(MESSAGE)) - 1):
        reader = RecordingReader(io.BytesIO(whole[:-cut]))
        assert len(list(reader)) == 1
        assert reader.cut_at == len(raw(MESSAGE))
    reader.skip_to(len(raw(MESSAGE)))
    assert list(reader) == []
    assert reader.cut_at == len(raw(MESSAGE))


@pytest.mark.parametrize("at_us", [0, MOST_US])
def test_the_first_and_the_last_time_are_times(at_us: int) -> None:
    assert MOST_US == 100 * 366 * 24 * 3600 * 10**6
    found = items([0, at_us, *MESSAGE[2:]], [1, at_us, "note", ""], [2, at_us, 1])
    assert [item.at_us for item in found] == [at_us] * 3


@pytest.mark.parametrize("item", [MESSAGE, [1, 5, "note", ""], [2, 5, 0]], ids=["message", "event", "end"])
def test_a_time_that_cannot_be_is_named(item: list[Any]) -> None:
    for at_us in (-1, MOST_US + 1):
        assert (
            damage([item[0], at_us, *item[2:]])
            == f"the time {at_us} us, where a recording has 0 to {MOST_US}"
        )


def test_a_topic_has_as_many_bytes_as_one_of_mqtt() -> None:
    """MQTT 3.1.1 section 1.5.3: the length of a string is in two bytes."""
    assert items([0, 5, "t" * 65_535, b"", 0, False, False])[0].topic == "t" * 65_535
    long = [0, 5, "t" * 65_536, b"", 0, False, False]
    assert damage(long) == "a topic of 65536 characters, and MQTT has 65535 bytes"


@pytest.mark.parametrize("qos", [0, 1, 2])
def test_every_qos_of_mqtt_is_one(qos: int) -> None:
    assert items([*MESSAGE[:4], qos, False, False])[0].qos == qos


@pytest.mark.parametrize(
    ("item", "seen"),
    [
        ([0, 5], "an array of 2"),
        ([], "an array of 0"),
        ({1: 2}, None),
        (7, "7"),
        (True, "True"),
        ("t" * 99, ascii("t" * 30)),
        (b"\xff" * 99, ascii(b"\xff" * 30)),
        ("é", "'\\xe9'"),
        ([3, 5, 1], "an array of 3"),
        ([1, 5, "note"], "an array of 3"),
        ([1, 5, "note", b"x"], "an array of 4"),
        ([1, 5, b"note", "x"], "an array of 4"),
        ([1, "5", "note", "x"], "an array of 4"),
        ([2, 5, "x"], "an array of 3"),
        ([2, 5, 1, 1], "an array of 4"),
        ([2, 5, "note", "x"], "an array of 4"),
        ([1, 5, 1], "an array of 3"),
        ([1, *MESSAGE[1:]], "an array of 7"),
        ([*MESSAGE[:6]], "an array of 6"),
        ([*MESSAGE, 1], "an array of 8"),
        ([*MESSAGE[:3], "text", 1, False, False], "an array of 7"),
        ([0, 5, b"topic", b"", 1, False, False], "an array of 7"),
        ([*MESSAGE[:4], 3, False, False], "an array of 7"),
        ([*MESSAGE[:4], True, False, False], "an array of 7"),
        ([*MESSAGE[:4], 1, 0, False], "an array of 7"),
        ([*MESSAGE[:4], 1, False, 1], "an array of 7"),
        ([False, *MESSAGE[1:]], "an array of 7"),
    ],
)  # fmt: skip
def test_what_is_no_item_is_shown_in_a_few_words(item: Any, seen: str | None) -> None:
    expected = "a map of 1" if seen is None else seen
    assert damage(item) == f"no item of a recording: {expected}"


def test_bytes_that_are_no_cbor_are_damage() -> None:
    """RFC 8949 section 3: additional information 28 is reserved."""
    with pytest.raises(DamagedRecording, match="no item of a recording") as told:
        list(RecordingReader(io.BytesIO(raw(MESSAGE) + b"\x1c")))
    assert told.value.byte == len(raw(MESSAGE))


# ---------------------------------------------------------------- the header
@pytest.mark.parametrize("field", ["site", "source", "kit"])
def test_a_text_of_the_header_has_a_thousand_characters(field: str) -> None:
    assert items(**{field: "s" * 1000}) == []
    with pytest.raises(NotARecording, match=r"^byte 0: a text in the header has more than 1000 characters$"):
        items(**{field: "s" * 1001})


@pytest.mark.parametrize(
    ("started", "good"),
    [("1970-01-01", True), ("1969-12-31T23:59:59", False), ("8999-12-31", True), ("9000-01-01", False), ("", False)],
)  # fmt: skip
def test_a_start_leaves_room_for_a_hundred_years(started: str, good: bool) -> None:
    if good:
        assert items(started=started) == []
        return
    with pytest.raises(NotARecording) as told:
        items(started=started)
    assert str(told.value) == f"byte 0: the header says that it was started '{started}', which is not a time"


def test_a_start_that_is_long_is_cut() -> None:
    with pytest.raises(NotARecording, match="started '" + "x" * 40 + "', which"):
        items(started="x" * 41)


@pytest.mark.parametrize("version", [0, 2])
def test_another_version_is_named(version: int) -> None:
    with pytest.raises(NotARecording) as told:
        items(version=version)
    assert str(told.value) == f"version {version} of the format; this kit reads version 1"


@pytest.mark.parametrize("field", ["version", "site", "started", "source", "kit"])
def test_a_header_needs_each_of_its_fields(field: str) -> None:
    with pytest.raises(NotARecording, match=r"^the header is cut off or incomplete$"):
        items(**{field: None})


def test_what_does_not_begin_as_a_recording_is_none() -> None:
    for data in (b"", MAGIC[:-1], b"x" + raw()):
        with pytest.raises(NotARecording, match=r"^this is not a recording: it does not begin as one$"):
            RecordingReader(io.BytesIO(data))
    with pytest.raises(NotARecording, match="cut off"):
        RecordingReader(io.BytesIO(raw()[:-1]))


# ---------------------------------------------------------------- how long an item is
def with_item_of(size: int) -> RecordedMessage:
    around = len(dumps([0, 7, TOPIC, bytes(MOST_ITEM // 2), 1, False, False])) - MOST_ITEM // 2
    return RecordedMessage(7, TOPIC, bytes(size - around), 1, False, False)


def test_the_longest_item_is_written_and_read() -> None:
    assert MOST_ITEM == 1 << 20
    for size, taken in ((MOST_ITEM, True), (MOST_ITEM + 1, False)):
        file = io.BytesIO()
        writer = RecordingWriter(file, HEADER)
        begin = writer.size
        item = with_item_of(size)
        writer.message(item)
        assert (writer.messages, writer.waiting == MOST_ITEM) == (taken, taken)
        writer.flush()
        assert (writer.size - begin == MOST_ITEM) is taken
        file.seek(0)
        reader = RecordingReader(file)
        assert (list(reader) == [item]) is taken
        assert reader.cut_at is None


def test_an_unfinished_item_may_have_as_many_bytes_as_a_whole_one() -> None:
    cut, longer = (raw([0, *with_item_of(MOST_ITEM + more)])[:-1] for more in (1, 2))
    reader = RecordingReader(io.BytesIO(cut))
    assert list(reader) == []
    assert reader.cut_at == len(raw())
    with pytest.raises(
        DamagedRecording, match="an item of more than 1,048,576 bytes, which is the most that a"
    ):
        list(RecordingReader(io.BytesIO(longer)))


def test_what_is_left_out_is_told_with_the_beginning_of_its_topic() -> None:
    file = io.BytesIO()
    writer = RecordingWriter(file, HEADER)
    writer.message(RecordedMessage(7, "t" * 101, bytes(MOST_ITEM), 1, False, False))
    writer.flush()
    file.seek(0)
    assert list(RecordingReader(file)) == [
        RecordedEvent(7, "note", "left out: a message of 1,048,576 bytes on " + "t" * 100)
    ]


# ---------------------------------------------------------------- writing
class Disk(io.BytesIO):
    """Takes `room` bytes and then none; with `most` only so many at a time."""

    def __init__(self, room: int, most: int = 1 << 30) -> None:
        super().__init__()
        self.room, self.most = room, most

    def write(self, data: Any) -> int:
        taken = bytes(data)[: min(self.room - self.tell(), self.most)]
        if not taken and len(data):
            raise OSError(errno.ENOSPC, "No space left on device")
        return super().write(taken)


def test_what_waits_and_what_is_safe_is_counted() -> None:
    file = io.BytesIO()
    writer = RecordingWriter(file, HEADER)
    assert (writer.waiting, writer.size, writer.messages) == (0, len(file.getvalue()), 0)
    begin = writer.size
    writer.message(RecordedMessage(*MESSAGE[1:]))
    one = len(dumps(MESSAGE))
    assert (writer.waiting, writer.size, writer.messages) == (one, begin, 1)
    writer.message(RecordedMessage(*MESSAGE[1:]))
    assert (writer.waiting, writer.size, writer.messages) == (2 * one, begin, 2)
    writer.flush()
    assert (writer.waiting, writer.size, writer.messages) == (0, begin + 2 * one, 2)
    assert len(file.getvalue()) == writer.size


def test_a_file_that_takes_a_little_at_a_time_gets_it_all() -> None:
    disk = Disk(1 << 20, most=3)
    writer = RecordingWriter(disk, HEADER)
    writer.message(RecordedMessage(*MESSAGE[1:]))
    writer.end(9)
    whole = io.BytesIO()
    other = RecordingWriter(whole, HEADER)
    other.message(RecordedMessage(*MESSAGE[1:]))
    other.end(9)
    assert disk.getvalue() == whole.getvalue()


def test_after_a_full_disk_what_was_lost_counts_no_more_and_writing_goes_on() -> None:
    one, note = len(dumps(MESSAGE)), len(dumps([1, 6, "note", "x"]))
    begin = RecordingWriter(io.BytesIO(), HEADER).size
    for room, messages, safe in (
        (2 * one + note, 2, 2 * one + note),
        (2 * one + note - 1, 1, one + note),
        (one + note, 1, one + note),
        (one + note - 1, 1, one),
        (one, 1, one),
        (one - 1, 0, 0),
        (0, 0, 0),
    ):
        disk = Disk(begin + room)
        writer = RecordingWriter(disk, HEADER)
        writer.message(RecordedMessage(*MESSAGE[1:]))
        writer.event(RecordedEvent(6, "note", "x"))
        writer.message(RecordedMessage(*MESSAGE[1:]))
        writer.message(RecordedMessage(*MESSAGE[1:]))
        with pytest.raises(OSError, match="No space"):
            writer.flush()
        assert (writer.messages, writer.size, writer.waiting) == (messages, begin + safe, 0), room
        assert (len(disk.getvalue()), disk.tell()) == (begin + safe, begin + safe)
        disk.room = 1 << 20
        writer.end(9)
        disk.seek(0)
        reader = RecordingReader(disk)
        assert list(reader)[-1] == RecordedEnd(9, messages)
        assert (reader.ended, reader.cut_at) == (True, None)


def test_a_recording_longer_than_what_is_read_at_a_time_is_read_whole() -> None:
    """Items that lie over the ends of chunks, and one that is longer than a chunk."""
    sizes = [100_000, 100_000, 100_000, 300_000, 700_000, 5, 260_000]
    given = [[0, at, TOPIC, bytes(size), 1, False, False] for at, size in enumerate(sizes)]
    reader = RecordingReader(io.BytesIO(raw(*given)))
    found = [
        (reader.byte, item.at_us, len(item.payload)) for item in reader if isinstance(item, RecordedMessage)
    ]
    assert found == [(len(raw(*given[:at])), at, size) for at, size in enumerate(sizes)]


def test_what_a_reader_holds_does_not_grow_with_the_recording() -> None:
    class Counted(io.BytesIO):
        sizes: ClassVar[list[int | None]] = []

        def read(self, size: int | None = -1, /) -> bytes:
            self.sizes.append(size)
            return super().read(size)

    file = Counted(raw(*[[0, at, TOPIC, bytes(60_000), 1, False, False] for at in range(20)]))
    assert len(list(RecordingReader(file))) == 20
    assert set(file.sizes) == {256 * 1024}
