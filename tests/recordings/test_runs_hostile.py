"""Folders of recordings that hold what nobody meant: each is said in a line."""

from __future__ import annotations

import os
from pathlib import Path

import zstandard

from conformance.recordings.runs.index import index_of
from protocol.recording import (
    EventKind,
    Header,
    RecordedEvent,
    RecordedMessage,
    RecordingReader,
    RecordingWriter,
)
from tests.recordings.conftest import Yards
from tests.recordings.cut_runs import SEEDS, ran, told
from tests.recordings.long_recordings import STARTED, simulated


def test_what_cannot_be_read_is_said_in_a_line_each(folder: Path, yards: Yards) -> None:
    good = yards.good(1).read_bytes()
    with yards.good(1).open("rb") as file:
        reader = RecordingReader(file)
        middle = next(reader.byte for _ in reader if reader.byte > len(good) // 2)
    (folder / "damaged.ywrec").write_bytes(good[:middle] + b"\xff" + good[middle:])
    (folder / "cut.ywrec").write_bytes(good[: len(good) // 2])
    (folder / "text.ywrec").write_text("this is none")
    (folder / "empty.ywrec").write_bytes(b"")
    (folder / "bomb.ywrec.zst").write_bytes(zstandard.compress(good[:200] + bytes(50_000_000)))
    (folder / "folder.ywrec").mkdir()
    (folder / "ring.ywrec").symlink_to(folder / "ring.ywrec")
    (folder / "bad\x1b[2J.ywrec").write_bytes(b"x")
    (folder / "notes.txt").write_text("not looked at")
    os.mkfifo(folder / "pipe.ywrec")
    result = ran("runs", folder)
    assert result.exception is None
    assert result.return_value == 1
    lines = result.stderr.splitlines()
    for name in ("damaged.ywrec", "text.ywrec", "empty.ywrec", "bomb.ywrec.zst"):
        assert sum(name in line for line in lines) == 1, (name, lines)
    assert not any("notes.txt" in line or "pipe" in line for line in lines)
    assert "\x1b" not in result.output
    by_name = {row["name"]: row for row in told(folder)}
    assert "the recording is damaged" in by_name["damaged.ywrec#1"]["cut"]
    assert by_name["cut.ywrec#1"]["cut"].startswith("breaks off at byte")
    assert by_name["cut.ywrec#1"]["result"] == "unfinished"
    assert sum(row["result"] == "done" for row in by_name.values()) == len(SEEDS)


def test_files_that_say_they_continue_each_other_in_a_ring(tmp_path: Path) -> None:
    for name, before in (("a", "b"), ("b", "a"), ("c", "c")):
        with (tmp_path / f"{name}.ywrec").open("wb") as file:
            writer = RecordingWriter(file, Header("harlow-basin", STARTED, "test", "test"))
            writer.event(RecordedEvent(0, EventKind.NOTE, f"continues {before}.ywrec"))
            writer.end(1)
    index = index_of(tmp_path)
    assert index.runs == []
    assert len(index.troubles) == 2


def test_a_message_that_cannot_be_read_is_counted(tmp_path: Path) -> None:
    items, _ = simulated(1)
    with (tmp_path / "odd.ywrec").open("wb") as file:
        writer = RecordingWriter(file, Header("harlow-basin", STARTED, "test", "test"))
        for item in items:
            if isinstance(item, RecordedMessage):
                writer.message(item)
                for payload in (b"", b"{", b"\xa1\x00\x01", b'{"boot":1}', item.payload[:-1]):
                    writer.message(item._replace(payload=payload))
        writer.end(items[-1].at_us)
    run = index_of(tmp_path).runs[0]
    assert run.facts.jobs == {"done": 11}
    assert run.facts.invalid >= 5 * 700
