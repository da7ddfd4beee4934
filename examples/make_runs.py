"""Makes a folder of 200 runs of harlow-basin, twenty an evening on ten days; in twelve of them something goes wrong.

All is simulated on virtual time from seeds, so that anyone gets the same files:

    python -m examples.make_runs FOLDER

`faults.json` beside them says what was planted in which run: look into it last.
"""

from __future__ import annotations

import json
import sys
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from io import BytesIO
from pathlib import Path
from random import Random
from tempfile import TemporaryDirectory

from examples.faults import FAULTS
from examples.yard_on_virtual_time import run
from protocol.recording import Header, RecordedEvent, RecordedMessage, RecordingReader, RecordingWriter
from reference_node.supervisor.plan.goals import Admit, Depart, Goal, Move, Together

RUNS, DAYS = 200, 10
FIRST = datetime(2026, 11, 2, 18, 0, tzinfo=UTC)
APART = timedelta(minutes=4)
"""From the beginning of one run to that of the next; the recorder is started for each."""
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
        for plan, recording in zip(planned, pool.map(played, planned, chunksize=4), strict=True):
            day, count = divmod(plan.number * DAYS, runs)
            started = FIRST + timedelta(days=day) + count // DAYS * APART
            path = folder / f"{started:%m-%d}-{count // DAYS + 1:02}.ywrec"
            path.write_bytes(_at(recording, started))
            if plan.fault:
                told[f"{path.name}#1"] = {"kind": plan.fault, "planted": FAULTS[plan.fault].says}
    (folder / "faults.json").write_text(json.dumps(told, indent=2) + "\n", encoding="utf-8")
    return planned


def _at(recording: bytes, started: datetime) -> bytes:
    """The recording as if it had begun then."""
    file = BytesIO()
    reader = RecordingReader(BytesIO(recording))
    writer = RecordingWriter(file, Header("harlow-basin", started.isoformat(), "virtual", "virtual"))
    for item in reader:
        if isinstance(item, RecordedMessage):
            writer.message(item)
        elif isinstance(item, RecordedEvent):
            writer.event(item)
        else:
            writer.end(item.at_us)
    return file.getvalue()


if __name__ == "__main__":
    make(Path(sys.argv[1]) if len(sys.argv) > 1 else Path("runs"))
