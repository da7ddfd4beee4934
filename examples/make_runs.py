"""Makes a folder of 200 runs of harlow-basin in ten recordings, one a day; in twelve of them something goes wrong.

All is simulated on virtual time from seeds, so that anyone gets the same files:

    python -m examples.make_runs FOLDER

`faults.json` beside them says what was planted in which run: look into it last.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from random import Random
from tempfile import TemporaryDirectory

from conformance.recordings.record.writer import RecordingFiles
from examples.faults import FAULTS
from examples.yard_on_virtual_time import run
from protocol.recording import EventKind, Header, RecordedMessage, RecordingReader
from reference_node.supervisor.plan.goals import Admit, Depart, Goal, Move, Together

RUNS, DAYS = 200, 10
FIRST = datetime(2026, 11, 2, 18, 0, tzinfo=UTC)
BETWEEN_US = 45_000_000
"""From the end of one run to the beginning of the next."""
SEED = 2611
KINDS = ("weak-magnet", "slow-axis", "missed-pick", "reset-in-transfer")
EACH = 3
LATE_DAY = 6
"""The slow axis came on this day, counted from 0; before it there was none."""
OTHER_TRAIN = 5
"""One run in so many is with train T-9; the weak magnet is that of its locomotive."""


@dataclass(frozen=True, slots=True)
class Plan:
    """One run: its seed, its train and what is planted in it ('' for nothing)."""

    number: int
    seed: int
    train: str
    fault: str

    @property
    def goals(self) -> tuple[Goal, ...]:
        """What the supervisor is to do."""
        return (
            Together((Admit("siding", self.train, ("", "", "")), Move("C-101", "siding", 0))),
            Move("C-102", "siding", 1),
            Depart("siding"),
        )


def plans(runs: int = RUNS, each: int = EACH) -> list[Plan]:
    """All runs in their order; the same every time."""
    rng = Random(SEED)
    trains = ["T-9" if number % OTHER_TRAIN == 3 else "T-7" for number in range(runs)]
    late = range(runs * LATE_DAY // DAYS, runs)
    free = set(range(1, runs))
    faults: dict[int, str] = {}
    for kind in KINDS:
        places = {
            "weak-magnet": [number for number in free if trains[number] == "T-9"],
            "slow-axis": [number for number in free if number in late],
        }.get(kind, list(free))
        for number in rng.sample(sorted(places), each):
            faults[number] = kind
            free.discard(number)
    return [Plan(number, SEED + number, trains[number], faults.get(number, "")) for number in range(runs)]


def played(plan: Plan) -> bytes:
    """The recording of one run."""
    with TemporaryDirectory() as folder:
        path = Path(folder) / "run.ywrec"
        if plan.fault:
            planted = FAULTS[plan.fault]
            run(path, plan.seed, planted.fault, goals=plan.goals, supervisor=planted.supervisor)
        else:
            run(path, plan.seed, goals=plan.goals)
        return path.read_bytes()


def make(folder: Path, runs: int = RUNS, each: int = EACH) -> list[Plan]:
    """Write the recordings and `faults.json`; gives what was planned."""
    folder.mkdir(parents=True, exist_ok=True)
    planned = plans(runs, each)
    told = {}
    with ProcessPoolExecutor(2) as pool:
        recordings = pool.map(played, planned, chunksize=4)
        for day in range(DAYS):
            todays = planned[runs * day // DAYS : runs * (day + 1) // DAYS]
            path = folder / f"{FIRST + timedelta(days=day):%m-%d}.ywrec"
            for count, plan in enumerate(_record(path, day, todays, recordings), 1):
                if plan.fault:
                    told[f"{path.name}#{count}"] = {"kind": plan.fault, "planted": FAULTS[plan.fault].says}
    (folder / "faults.json").write_text(json.dumps(told, indent=2) + "\n", encoding="utf-8")
    return planned


def _record(path: Path, day: int, todays: list[Plan], recordings: Iterator[bytes]) -> Iterator[Plan]:
    """The runs of one day in one file, one after the other."""
    from io import BytesIO

    started = (FIRST + timedelta(days=day)).isoformat()
    files = RecordingFiles(path, Header("harlow-basin", started, "virtual", "virtual"))
    files.note(0, EventKind.CONNECTED, "")
    at = 0
    for plan in todays:
        reader = RecordingReader(BytesIO(next(recordings)))
        end = 0
        for item in reader:
            end = item.at_us
            if isinstance(item, RecordedMessage):
                files.message(item._replace(at_us=item.at_us + at))
                files.settle(item.at_us + at)
        at += end + BETWEEN_US
        yield plan
    files.close(at)


if __name__ == "__main__":
    make(Path(sys.argv[1]) if len(sys.argv) > 1 else Path("runs"))
