"""Recordings of many runs, as a recorder that is always on makes them; and where the simulator says that each began."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

from conformance.recordings.record.writer import RecordingFiles, Rotation
from examples.yard_on_virtual_time import run
from protocol.recording import EventKind, Header, Item, RecordedMessage, RecordingReader

STARTED = "2026-05-04T08:00:00+00:00"
BETWEEN_US = 500_000
"""From the end of one run to the beginning of the next."""


@cache
def simulated(seed: int) -> tuple[tuple[Item, ...], int]:
    """A run, and which of its messages the supervisor said first, counted from 1, by the log of the simulator."""
    with TemporaryDirectory() as folder:
        path = Path(folder) / "run.ywrec"
        yard = run(path, seed)
        with path.open("rb") as file:
            items = tuple(RecordingReader(file))
    entries = [entry for entry in yard.bus.log if entry.topic.startswith("yw1/")]
    first = next(number for number, entry in enumerate(entries, 1) if entry.topic.split("/")[2] == "yard")
    return items, first


def long_recording(
    path: Path,
    seeds: Sequence[int],
    rotation: Rotation | None = None,
    *,
    pack: bool = False,
    end: bool = True,
) -> tuple[list[Path], list[int]]:
    """Runs one after the other; gives the files, and for each run the time in us at which its supervisor began."""
    files = RecordingFiles(path, Header("harlow-basin", STARTED, "test", "test"), rotation, pack=pack)
    files.note(0, EventKind.CONNECTED, "")
    at = 0
    begins = []
    for seed in seeds:
        items, first = simulated(seed)
        messages = [item for item in items if isinstance(item, RecordedMessage)]
        begins.append(at + messages[first - 1].at_us)
        for item in messages:
            files.message(item._replace(at_us=item.at_us + at))
            files.settle(item.at_us + at)
        at += items[-1].at_us + BETWEEN_US
    if end:
        files.close(at)
    else:
        files.settle(at)
        files.abandon()
    return files.files, begins
