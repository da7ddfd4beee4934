"""A broker, and recordings of harlow-basin, good and bad."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from conformance.bench.brokers.broker import Broker, start_broker
from conformance.recordings.runs.cache import INDEX
from examples.faults import FAULTS
from examples.yard_on_virtual_time import Began, run
from tests.recordings.cut_runs import PARTS, SEEDS
from tests.recordings.long_recordings import long_recording


@pytest.fixture
def broker() -> Iterator[Broker]:
    with start_broker() as running:
        yield running


class Yards:
    """Recordings, each made when it is first wanted."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._began: dict[str, Began] = {}

    def good(self, seed: int) -> Path:
        """A good run."""
        path = self._folder / f"good-{seed}.ywrec"
        if not path.exists():
            run(path, seed)
        return path

    def bad(self, fault: str, seed: int) -> tuple[Path, Began]:
        """A run with a fault, and what the simulator's own log says of it."""
        path = self._folder / f"{fault}-{seed}.ywrec"
        if not path.exists():
            planted = FAULTS[fault]
            yard = run(path, seed, planted.fault, supervisor=planted.supervisor)
            self._began[path.name] = yard.log[0]
        return path, self._began[path.name]


@pytest.fixture(scope="session")
def yards(tmp_path_factory: pytest.TempPathFactory) -> Yards:
    return Yards(tmp_path_factory.mktemp("yards"))


@pytest.fixture(scope="session")
def parts(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[int]]:
    """A folder with a rotated recording of some runs, and when each began."""
    folder = tmp_path_factory.mktemp("parts")
    files, begins = long_recording(folder / "monday.ywrec", SEEDS, PARTS)
    assert len(files) > len(SEEDS)
    return folder, begins


@pytest.fixture
def folder(parts: tuple[Path, list[int]], tmp_path: Path) -> Path:
    """A copy of it that may be changed."""
    copy = tmp_path / "recordings"
    shutil.copytree(parts[0], copy, ignore=shutil.ignore_patterns(INDEX))
    return copy
