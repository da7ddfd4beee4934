"""The tables of docs/planted-faults.md: `python -m benchmarks.planted --seed SEED`.

Five faults of each kind that a comparison of two recordings has to see, where the seed puts them: the exit code,
whether the first difference is named within three messages of where the fault begins to show, and what is called
different before. Then ten drifts, each in one of sixty figures: after how many runs it is told, and what else is.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from random import Random
from statistics import fmean
from tempfile import TemporaryDirectory

import click
from click.testing import CliRunner

from conformance.commands.diff import diff
from conformance.recordings.trend.chart import charts_of
from conformance.recordings.trend.limits import LEARNED
from protocol.recording import Header, Item, RecordedMessage, RecordingWriter
from protocol.site_file import scenario_text
from tests.recordings.planted import KINDS, planted
from tests.rules_over_messages.bent import Said, Tale, good_tale
from tests.trend.test_false_alarms import simulated

EACH = 5
NEAR = 3
DRIFTS, WEEKS, RUNS_A_WEEK = 10, 40, 3
SCATTERS = ("normal", "skewed", "far tails", "readings", "steps of a main loop")


@dataclass(slots=True)
class Row:
    """What came of the faults of one kind."""

    different: int = 0
    near: int = 0
    before: int = 0
    """Differences that are named where the fault has not yet begun."""


def _write(path: Path, items: list[Item]) -> None:
    with path.open("wb") as file:
        writer = RecordingWriter(file, Header("harlow-basin", "2026-05-02T10:00:00+00:00", "virtual", "0"))
        for item in items:
            if isinstance(item, RecordedMessage):
                writer.message(item)
        writer.end(items[-1].at_us)


@click.command()
@click.option("--seed", required=True, type=int, help="Where the faults are; one that nobody used before.")
def main(seed: int) -> None:
    """Print a row for each kind."""
    import json

    print(
        "| kind | exit 1 | first named within 3 messages | false differences before it |\n|---|---|---|---|"
    )
    sums = Row()
    with TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "site.toml").write_text(scenario_text(), encoding="utf-8")
        _write(folder / "good.ywrec", good_tale().items())
        for kind in KINDS:
            row = Row()
            chance = Random(f"{seed} {kind}")
            for _ in range(EACH):
                tale = good_tale()
                begin = planted(kind, tale, chance.randrange(2**31))
                items = tale.items()
                _write(folder / "bad.ywrec", items)
                words = ["good.ywrec", "bad.ywrec", "--site", "site.toml"]
                ran = CliRunner().invoke(diff, [*_in(folder, words), "--json"], standalone_mode=False)
                told = json.loads(ran.stdout)
                row.different += ran.return_value == 1
                row.near += _is_near(told["differences"], items, tale, begin)
                row.before += sum(
                    _number(one, items) < _begin(tale, begin) - NEAR for one in told["differences"]
                )
            print(f"| {kind} | {row.different} of {EACH} | {row.near} of {EACH} | {row.before} |", flush=True)
            sums.different, sums.near = sums.different + row.different, sums.near + row.near
            sums.before += row.before
    number = EACH * len(KINDS)
    print(f"| all | {sums.different} of {number} | {sums.near} of {number} | {sums.before} |\n")
    _drifts(Random(f"{seed} drifts"))


def _drifts(chance: Random) -> None:
    """Each begins after the runs that were learned from, and goes on for as many weeks as it takes."""
    print("| figure scatters | drift a week | told after | it had changed by | other figures alarmed |")
    print("|---|---|---|---|---|")
    for number in range(DRIFTS):
        draw = SCATTERS[number % len(SCATTERS)]
        a_week = chance.choice((-1, 1)) * chance.choice((0.005, 0.01, 0.02))
        series = simulated(draw, Random(chance.random()), LEARNED + WEEKS * RUNS_A_WEEK)
        which = chance.randrange(len(series))
        values = series[which].values
        usual = fmean(values[:LEARNED])
        for index in range(LEARNED, len(values)):
            values[index] += usual * a_week * (index - LEARNED) / RUNS_A_WEEK
        alarmed = {one.series.key.node: one.alarms[0].index for one in charts_of(series) if one.alarms}
        told = alarmed.pop(f"node-{which}", None)
        if told is None:
            print(f"| {draw} | {a_week:+.1%} | not told in {WEEKS} weeks | | {len(alarmed)} |", flush=True)
            continue
        after = (told - LEARNED) / RUNS_A_WEEK
        print(
            f"| {draw} | {a_week:+.1%} | {after:.1f} weeks | {a_week * after:+.1%} | {len(alarmed)} |",
            flush=True,
        )


def _in(folder: Path, words: list[str]) -> list[str]:
    return [str(folder / word) if "." in word else word for word in words]


def _is_near(differences: list[dict[str, float]], items: list[Item], tale: Tale, begin: Said) -> bool:
    """Whether the first difference stands, or was due, within so many messages of where the fault begins."""
    if not differences:
        return False
    first, number = differences[0], _begin(tale, begin)
    due = _number({"at_s": first["at_s"]}, items)
    return min(abs((first["message"] or due) - number), abs(due - number)) <= NEAR


def _begin(tale: Tale, begin: Said) -> int:
    """Which message a fault begins with."""
    return next(index for index, one in enumerate(tale.said, 1) if one is begin)


def _number(one: dict[str, float], items: list[Item]) -> int:
    """Which message a difference is; of one that has none, which one it should have been before."""
    if one.get("message"):
        return int(one["message"])
    return 1 + sum(isinstance(item, RecordedMessage) and item.at_us < one["at_s"] * 1e6 for item in items)


if __name__ == "__main__":
    main()
