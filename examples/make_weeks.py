"""Weeks of harlow-basin as recordings, in which a train's brake wears: `python -m examples.make_weeks FOLDER`.

What holds the train once its motor is off grows weaker by a part every week, so that it coasts farther and farther:
0.5 % a week by default. The simulator's physics decides what becomes of it; a few runs take place every week.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

from examples.yard_on_virtual_time import GOALS, Fault, Yard, run
from protocol.recording import RecordingReader, RecordingWriter
from reference_node.machines.siding import survey_train
from reference_node.supervisor.plan.goals import Goal

BEGAN = datetime(2026, 3, 2, 18, tzinfo=UTC)
RUNS_A_WEEK = 5
WEEKS = 24
WORN_A_WEEK = 0.005


def worn(by: float) -> Fault:
    """The friction that stops the train is less by a part of it."""

    def wear(yard: Yard) -> None:
        berth, machine = yard.site.nodes["siding"].berth, yard.machines["siding"].track
        assert berth is not None
        assert machine is not None
        usual = survey_train(berth.creep_power)
        locomotive = replace(usual.locomotive, friction=usual.locomotive.friction * (1 - by))
        machine._trains = iter([replace(usual, locomotive=locomotive)] * 9)
        machine.track = machine._stage(yard.time.now_ms * 1000)

    return wear


def make(
    folder: Path, *, weeks: int = WEEKS, runs_a_week: int = RUNS_A_WEEK, worn_a_week: float = WORN_A_WEEK,
    goals: Sequence[Goal] = GOALS, seed: int = 20_260_302,
) -> list[Path]:  # fmt: skip
    """Write the recordings; the first four weeks are sound."""
    paths = []
    for number in range(weeks * runs_a_week):
        week = number / runs_a_week
        began = BEGAN + timedelta(days=7 * week)
        path = folder / f"{began:%Y-%m-%d-%H%M}.ywrec"
        run(path, seed + number, worn(worn_a_week * max(0.0, week - 4)), goals=tuple(goals))
        dated(path, began)
        paths.append(path)
    return paths


def dated(path: Path, began: datetime) -> None:
    """Have a recording say that it was begun at `began`."""
    with path.open("rb") as file:
        reader = RecordingReader(file)
        items = list(reader)
    header = replace(reader.header, started=began.isoformat())
    with path.open("wb", buffering=0) as file:
        writer = RecordingWriter(file, header)
        write = {"RecordedMessage": writer.message, "RecordedEvent": writer.event}
        for item in items:
            write.get(type(item).__name__, lambda end: writer.end(end.at_us))(item)  # type: ignore[arg-type,attr-defined]


if __name__ == "__main__":
    target = Path(sys.argv[1])
    target.mkdir(parents=True, exist_ok=True)
    make(target)
