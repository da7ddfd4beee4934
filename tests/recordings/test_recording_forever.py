"""A recorder that is always on: small files, a file a day, a broker that comes later, a disk that fills, old files."""

from __future__ import annotations

import os
import shutil
import signal
import socket
import subprocess
import sys
from collections import namedtuple
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from click.testing import CliRunner

from conformance.bench.brokers.broker import start_broker
from conformance.commands.main import cli
from conformance.recordings.files import source
from conformance.recordings.record.disk import DiskWatch
from conformance.recordings.record.writer import RecordingFiles, Rotation
from conformance.recordings.runs.index import index_of
from conformance.recordings.runs.thinning import thinning
from protocol.recording import Header, RecordedMessage
from tests.commands.yardwire import YARDWIRE
from tests.recordings.long_recordings import long_recording
from tests.recordings.recorder import ROOT, WITHIN_S, publisher, wait_until_heard

HEADER = Header("harlow-basin", "2026-05-04T08:00:00+00:00", "test", "test")


def message(at_us: int) -> RecordedMessage:
    return RecordedMessage(at_us, f"{ROOT}/north/fault", bytes(100), 1, retain=False, dup=False)


def test_many_messages_at_once_make_as_many_small_files_as_they_need(tmp_path: Path) -> None:
    """One chunk from the broker, read in one go: no file is much larger than was asked for."""
    files = RecordingFiles(tmp_path / "small.ywrec", HEADER, Rotation(4000))
    for number in range(500):
        files.message(message(1000 + number))
    files.settle(500_000)
    written = files.written
    files.close(600_000)
    sizes = [path.stat().st_size for path in files.files]
    assert len(sizes) > 15
    assert max(sizes) < 4500
    whole = source(tuple(files.files))
    assert sum(isinstance(item, RecordedMessage) for item in whole.items()) == 500 == files.messages
    assert 0 < sum(sizes) - written < 100, "but for the last end mark"


def test_a_file_a_day_by_the_clock_on_the_wall(tmp_path: Path) -> None:
    evening = datetime(2026, 5, 4, 23, 59, 50).astimezone()
    files = RecordingFiles(
        tmp_path / "day.ywrec", Header("s", evening.isoformat(), "", ""), Rotation(daily=True)
    )
    for second in (1, 9, 11, 20, 86_400 + 5, 86_400 + 15):
        files.message(message(second * 1_000_000))
        files.settle(second * 1_000_000)
    files.close(86_400_000_000 + 20_000_000)
    days = []
    for path in files.files:
        header = source((path,)).header
        days.append(datetime.fromisoformat(header.started).astimezone().date())
    assert days == [evening.date() + timedelta(days=number) for number in range(3)]


Usage = namedtuple("Usage", "total used free")


def test_when_the_disk_will_be_full_is_said_before_it_is(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    free = 3_600_000_000
    monkeypatch.setattr(shutil, "disk_usage", lambda folder: Usage(0, 0, free))
    watch = DiskWatch(tmp_path)
    for second in range(0, 50, 10):
        watch.look(second * 1_000_000, second * 100_000)
    assert watch.told == "", "too early to say"
    for second in range(50, 130, 10):
        watch.look(second * 1_000_000, second * 100_000)
    assert watch.told == "the disk will be full in about 10 hours"
    assert not watch.is_near
    free = 100_000_000
    watch.look(140_000_000, 14_000_000)
    assert watch.told == "the disk will be full in about 17 minutes"
    assert watch.is_near


@pytest.mark.wire
def test_it_waits_for_a_broker_at_power_on(tmp_path: Path) -> None:
    with socket.socket() as sock:
        sock.bind(("127.0.0.1", 0))
        port = sock.getsockname()[1]
    path = tmp_path / "run.ywrec"
    command = [
        sys.executable, "-c", YARDWIRE, "record", str(path), "--site", "harlow-basin", "--wait",
        "--broker", f"mqtt://127.0.0.1:{port}",
    ]  # fmt: skip
    running = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    assert running.stderr is not None
    assert "waiting for the broker" in running.stderr.readline()
    with start_broker(port=port) as broker, publisher(broker) as client:
        wait_until_heard(client, path)
        running.send_signal(signal.SIGINT)
        _, told = running.communicate(timeout=WITHIN_S)
    assert running.returncode == 130, told
    assert source((path,)).header.site == "harlow-basin"


def test_old_files_go_and_what_matters_stays(tmp_path: Path) -> None:
    files, _ = long_recording(tmp_path / "yard.ywrec", (1, 2, 3), Rotation(60_000))
    for number, path in enumerate(files):
        os.utime(path, (1_000_000 + number, 1_000_000 + number))
    index = index_of(tmp_path)
    marked = index.runs[0]
    said = CliRunner().invoke(
        cli, ["runs", "mark", f"{tmp_path}/{marked.name}", "--note", "the first"], standalone_mode=False
    )
    assert said.exception is None
    index = index_of(tmp_path)
    plan = thinning(index, 150_000)
    assert {path.name for path in plan.goes}.isdisjoint(marked.files)
    assert plan.goes
    before = {str(run.name) for run in index.runs if not set(run.files) & {path.name for path in plan.goes}}
    only_told = CliRunner().invoke(
        cli, ["runs", "thin", str(tmp_path), "--keep", "150k"], standalone_mode=False
    )
    assert "would go" in only_told.output
    assert len(list(tmp_path.glob("*.ywrec"))) == len(files)
    done = CliRunner().invoke(
        cli, ["runs", "thin", str(tmp_path), "--keep", "150k", "--yes"], standalone_mode=False
    )
    assert done.exception is None
    left = {path.name for path in tmp_path.glob("*.ywrec")}
    assert left == {path.name for path in files} - {path.name for path in plan.goes}
    assert before <= {str(run.name) for run in index_of(tmp_path).runs}
    too_small = CliRunner().invoke(
        cli, ["runs", "thin", str(tmp_path), "--keep", "1k", "--yes"], standalone_mode=False
    )
    assert too_small.return_value == 1
    assert set(marked.files) <= {path.name for path in tmp_path.glob("*.ywrec")}


def test_a_file_that_may_still_be_written_to_stays(tmp_path: Path) -> None:
    long_recording(tmp_path / "yard.ywrec", (1,))
    plan = thinning(index_of(tmp_path), 0)
    assert plan.goes == ()
    assert "may still be written to" in plan.matters["yard.ywrec"]
