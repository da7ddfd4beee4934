"""Weeks of harlow-basin as recordings, in which a train brakes less and less: `python -m examples.make_weeks FOLDER`.

What holds the train once its motor is off grows weaker by 0.5 % every week, so that it coasts farther and farther until
its rest reading is beyond the table of crane south. The simulator's physics decides how far; seeds are fixed.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

from examples.yard_on_virtual_time import Fault, Yard, run
from protocol.recording import RecordedEnd, RecordedEvent, RecordedMessage, RecordingReader, RecordingWriter
from reference_node.machines.siding import survey_train
from reference_node.supervisor.plan.goals import Admit, Depart, Goal

BEGAN = datetime(2026, 3, 2, 18, tzinfo=UTC)
RUNS_A_WEEK = 3
WEEKS = 40
SOUND_WEEKS = 7
"""Before anything wears: twenty runs and one."""
WORN_A_WEEK = 0.005
RUNS_FREELY = 0.55
"""The friction of this train's locomotive, as a part of the usual one."""
GOALS: tuple[Goal, ...] = (Admit("siding", "T-7", ("", "", "")), Depart("siding"))


def friction(part: float) -> Fault:
    """The friction that stops the train is so much of the usual one."""

    def change(yard: Yard) -> None:
        berth, machine = yard.site.nodes["siding"].berth, yard.machines["siding"].track
        assert berth is not None
        assert machine is not None
        usual = survey_train(berth.creep_power)
        locomotive = replace(usual.locomotive, friction=usual.locomotive.friction * part)
        machine._trains = iter([replace(usual, locomotive=locomotive)] * 9)
        machine.track = machine._stage(yard.time.now_ms * 1000)

    return change


def make(
    folder: Path, *, weeks: int = WEEKS, worn_a_week: float = WORN_A_WEEK, seed: int = 20_260_302
) -> None:
    """Write the recordings."""
    for number in range(weeks * RUNS_A_WEEK):
        week = number / RUNS_A_WEEK
        began = BEGAN + timedelta(days=7 * week)
        path = folder / f"{began:%Y-%m-%d-%H%M}.ywrec"
        part = RUNS_FREELY * (1 - worn_a_week * max(0.0, week - SOUND_WEEKS))
        run(path, seed + number, friction(part), goals=GOALS)
        dated(path, began)


def dated(path: Path, began: datetime) -> None:
    """Have a recording say that it was begun at `began`."""
    with path.open("rb") as file:
        reader = RecordingReader(file)
        items = list(reader)
    with path.open("wb", buffering=0) as file:
        writer = RecordingWriter(file, replace(reader.header, started=began.isoformat()))
        for item in items:
            match item:
                case RecordedMessage():
                    writer.message(item)
                case RecordedEvent():
                    writer.event(item)
                case RecordedEnd():
                    writer.end(item.at_us)


if __name__ == "__main__":
    target = Path(sys.argv[1])
    target.mkdir(parents=True, exist_ok=True)
    make(target)
