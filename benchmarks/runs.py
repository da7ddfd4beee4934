"""Runs: finding them against reading and validating, and many compared at once against as many single comparisons."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from tempfile import TemporaryDirectory
from time import process_time

from benchmarks.row import Row
from benchmarks.spent import Command
from conformance.recordings.diff.differences import compare
from conformance.recordings.diff.event_log import Names
from conformance.recordings.diff.events import event_log_of
from conformance.recordings.diff.tolerance import Tolerance
from conformance.recordings.files import source
from conformance.recordings.runs.cache import INDEX
from conformance.recordings.runs.index import index_of
from examples.yard_on_virtual_time import run
from protocol.bulk_reading import BulkReader
from protocol.recording import Header, RecordedMessage, RecordingReader, RecordingWriter
from protocol.site_file import scenario, scenario_text

DIFFERENT = 8
"""Runs that are simulated; the others are these again, later."""
RUNS = 200
SINGLE = 40
"""Single comparisons that are timed; as many as there are runs would take as much longer."""
REPEATED = 3


def rows() -> Iterator[Row]:
    """Index against validation, then diff of a folder against single diffs: time and memory."""
    with TemporaryDirectory() as name:
        folder = Path(name)
        _make(folder)
        files = sorted(folder.glob("*.ywrec"))
        _indexed(folder)  # Once, so that all is compiled and in the page cache.
        _validated(files)
        indexed = min(_indexed(folder) for _ in range(REPEATED))
        validated = min(_validated(files) for _ in range(REPEATED))
        yield Row(
            "rate of indexing a folder / reading and validating it", validated / indexed, 0.7,
            f"{indexed:.1f} s / {validated:.1f} s of processor for {RUNS} runs", at_least=True,
        )  # fmt: skip
        (folder / "site.toml").write_text(scenario_text(), encoding="utf-8")
        words = ["diff", str(folder), "--site", str(folder / "site.toml"), "--json"]
        many = Command("-m", "conformance.commands.main", *words).wait()
        one = _single(files)
        yield Row(
            f"diff of {RUNS} runs / as many single diffs, processor", many.used / (one * RUNS), 1.3,
            f"{many.used:.1f} s / {one * RUNS:.1f} s",
        )  # fmt: skip
        yield Row(
            f"diff of {RUNS} runs, memory in MB", many.kilobytes / 1000, 300, f"{many.kilobytes // 1000} MB"
        )


def _make(folder: Path) -> None:
    for seed in range(DIFFERENT):
        path = folder / f"{seed:03}.ywrec"
        run(path, seed + 1)
        with path.open("rb") as file:
            items = list(RecordingReader(file))
        for copy in range(seed + DIFFERENT, RUNS, DIFFERENT):
            started = f"2026-05-{1 + copy // 24:02}T{copy % 24:02}:00:00+00:00"
            with (folder / f"{copy:03}.ywrec").open("wb", buffering=0) as written:
                writer = RecordingWriter(written, Header("harlow-basin", started, "virtual", "virtual"))
                for item in items:
                    if isinstance(item, RecordedMessage):
                        writer.message(item)
                writer.end(items[-1].at_us)


def _indexed(folder: Path) -> float:
    (folder / INDEX).unlink(missing_ok=True)
    began = process_time()
    index_of(folder)
    return process_time() - began


def _validated(files: list[Path]) -> float:
    began = process_time()
    for path in files:
        reader = BulkReader(0)
        for item in source((path,)).items():
            if isinstance(item, RecordedMessage):
                reader.read(item.topic, item.payload)
    return process_time() - began


def _single(files: list[Path]) -> float:
    """Processor time of one comparison of two recordings, without the start of a program."""
    tolerance = Tolerance(scenario())
    began = process_time()
    for path in files[1 : SINGLE + 1]:
        names = Names()
        good, other = (event_log_of(str(one), source((one,)).items(), names) for one in (files[0], path))
        compare([good], other, tolerance)
    return (process_time() - began) / SINGLE
