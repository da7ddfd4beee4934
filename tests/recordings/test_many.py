"""Many runs at once: what the good ones agree on is learned, the others are grouped, and what goes along is counted."""

from __future__ import annotations

import json
import random
import sys
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from conformance.commands.diff import diff
from conformance.recordings.diff import associations as module
from conformance.recordings.diff.associations import associations, holm
from conformance.recordings.runs.index import index_of
from conformance.recordings.runs.marks import write_mark
from protocol.recording import Header, RecordedMessage, RecordingWriter
from protocol.site_file import scenario_text
from tests.rules_over_messages.bent import Tale, good_tale

BEGAN = datetime(2026, 11, 2, 18, 0, tzinfo=UTC)


def slow(tale: Tale) -> None:
    """A box is put down 0.4 s late by crane south."""
    step = tale.first("south", "job-report", step="lower-to-drop")
    for one in tale.said[tale.said.index(step) :]:
        one.at_us += 400_000
        for name in {"uptime", "deadline"} & one.body.keys():
            one.body[name] += 400


def faulted(tale: Tale) -> None:
    """Crane north says that it missed a box."""
    states = list(tale.where("north", "fault"))
    for one in states[10:]:
        one.body["active"] = ["pick-missed"]
        one.body["faults"] += 1


def put(folder: Path, number: int, train: str, bend: Callable[[Tale], None] | None = None) -> str:
    """A recording of one run, some hours after the one before; good ones differ by a little."""
    tale = good_tale()
    rng = random.Random(number)
    for one in tale.said:
        if "train" in one.body:
            one.body["train"] = train
        if "arm_to_end" in one.body:
            one.body["arm_to_end"] += number % 5
    if bend is not None:
        bend(tale)
    started = BEGAN + timedelta(hours=5 * number, seconds=rng.randrange(60))
    path = folder / f"run-{number:03}.ywrec"
    with path.open("wb") as file:
        writer = RecordingWriter(file, Header("harlow-basin", started.isoformat(), "test", "test"))
        items = tale.items()
        for item in items:
            if isinstance(item, RecordedMessage):
                writer.message(item)
        writer.end(items[-1].at_us)
    return f"{path.name}#1"


SLOW, FAULTED, CUT = (8, 10, 12, 14), (3, 6), 5
RUNS = 16


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """16 runs: four slow ones, all with train T-9 and late; two with a fault; one that breaks off."""
    path = tmp_path_factory.mktemp("many")
    for number in range(RUNS):
        bend = slow if number in SLOW else faulted if number in FAULTED else None
        put(path, number, "T-9" if number in SLOW else "T-7", bend)
    cut = path / f"run-{CUT:03}.ywrec"
    cut.write_bytes(cut.read_bytes()[: cut.stat().st_size // 2])
    (path / "site.toml").write_text(scenario_text(), encoding="utf-8")
    return path


def ran(*arguments: str | Path) -> Result:
    return CliRunner().invoke(diff, [str(argument) for argument in arguments], standalone_mode=False)


def names(numbers: tuple[int, ...]) -> list[str]:
    return [f"run-{number:03}.ywrec#1" for number in numbers]


@pytest.mark.parametrize("marked", [False, True])
def test_runs_are_grouped_by_where_they_first_diverge(folder: Path, marked: bool, tmp_path: Path) -> None:
    """Where good ones are marked all of them; where none is, the slow ones look good and are too many to be found."""
    if marked:
        index = index_of(folder)
        odd = names((*SLOW, *FAULTED, CUT))
        for run in [run for run in index.runs if str(run.name) not in odd][:5]:
            write_mark(folder, run.name, {"mark": "good"}, index.rule)
    try:
        result = ran(folder, "--site", folder / "site.toml", "--json")
        told: dict[str, Any] = json.loads(result.stdout)
    finally:
        (folder / "runs.toml").unlink(missing_ok=True)
    assert result.return_value == 1
    assert told["assumed"] is not marked
    groups = {tuple(row["name"] for row in group["runs"]): group for group in told["groups"]}
    of_faults = [rows for rows, group in groups.items() if "pick-missed" in group["what"]]
    assert of_faults == [tuple(names(FAULTED))]
    if marked:
        late = next(group for rows, group in groups.items() if rows == tuple(names(SLOW)))
        assert (late["kind"], late["node"]) == ("slower", "south")
        assert any(row["what"] == "with train T-9" and row["sure"] for row in late["goes_along"])
        assert len(groups) == 2
    for group in told["groups"]:
        for row in group["goes_along"]:
            assert row["failed"] <= len(group["runs"]), "no run is counted twice"
            assert row["failed"] + row["others"] <= RUNS
    assert [row["name"] for row in told["not_to_the_end"]] == names((CUT,))


def test_what_goes_along_is_counted_and_held_against_chance(folder: Path) -> None:
    from scipy.stats import fisher_exact  # Slow to import, and every worker reads this file.

    index = index_of(folder)
    failed = [run for run in index.runs if str(run.name) in names(SLOW)]
    rows = associations([failed], index.runs, index.mark)[0]
    by_name = {row.what: row for row in rows}
    train = by_name["with train T-9"]
    assert (train.failed_with, train.failed, train.others_with, train.others) == (4, 4, 0, RUNS - 4)
    assert train.sure
    assert rows[0].what.startswith("with train")
    for row in rows:
        table = [
            [row.failed_with, row.failed - row.failed_with],
            [row.others_with, row.others - row.others_with],
        ]
        assert row.p == pytest.approx(fisher_exact(table).pvalue)
        assert row.p_all is not None
        assert row.p_all >= (row.p or 0)
    assert not by_name["a node was reset in it"].sure


def test_few_runs_prove_nothing(folder: Path) -> None:
    """One failed run of three, with another train than the others: chance does that once in three."""
    index = index_of(folder)
    few = [index.runs[0], index.runs[1], next(run for run in index.runs if str(run.name) in names(SLOW))]
    rows = associations([[few[2]]], few, index.mark)[0]
    assert rows
    assert not any(row.sure for row in rows)


def test_a_figure_that_was_noted_is_asked_about(folder: Path) -> None:
    index = index_of(folder)
    for number, run in enumerate(index.runs):
        warm = 24 + number % 3 if str(run.name) in names(SLOW) else 15 + number % 5
        write_mark(folder, run.name, {"temperature": warm}, index.rule)
    try:
        index = index_of(folder)
        failed = [run for run in index.runs if str(run.name) in names(SLOW)]
        rows = associations([failed], index.runs, index.mark)[0]
    finally:
        (folder / "runs.toml").unlink()
    row = next(row for row in rows if row.what.startswith("temperature above"))
    assert (row.failed_with, row.failed) == (4, 4)


def test_holm_is_as_its_author_has_it() -> None:
    """His own rule, step by step: the smallest of m times m, the next times m - 1, never less than one before."""
    assert holm([0.01, 0.04, 0.03, 0.005]) == pytest.approx([0.03, 0.06, 0.06, 0.02])
    assert holm([]) == []
    assert holm([0.9, 0.8]) == pytest.approx([1.0, 1.0])
    rng = random.Random(4)
    for _ in range(50):
        ps = [rng.random() ** 3 for _ in range(rng.randint(1, 12))]
        rejected = {i for i, p in enumerate(holm(ps)) if p <= 0.05}
        expected: set[int] = set()
        for rank, index in enumerate(sorted(range(len(ps)), key=ps.__getitem__)):
            if ps[index] > 0.05 / (len(ps) - rank):
                break
            expected.add(index)
        assert rejected == expected


def test_without_scipy_there_are_counts_and_a_plain_word(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "find_spec", lambda name: None)
    monkeypatch.setitem(sys.modules, "scipy.stats", None)
    result = ran(folder, "--site", folder / "site.toml")
    assert result.exception is None
    assert "needs scipy: pip install 'yardwire[runs]'" in " ".join(result.output.split())
    assert "counted: " in result.output


def test_text_fits_and_the_page_is_whole_and_safe(folder: Path, tmp_path: Path) -> None:
    page = tmp_path / "many.html"
    index = index_of(folder)
    write_mark(folder, index.runs[0].name, {"note": "<script>alert(1)</script>"}, index.rule)
    try:
        result = ran(folder, "--site", folder / "site.toml", "--html", page)
    finally:
        (folder / "runs.toml").unlink()
    assert all(len(line) <= 80 for line in result.output.splitlines() if str(page) not in line)
    text = page.read_text(encoding="utf-8")
    assert "http" not in text.replace("http-equiv", ""), "a page needs no network"
    assert "<script" not in text
    assert "pick-missed" in text
    assert text.count("<section") == 1


def test_too_few_good_runs_are_said(tmp_path: Path) -> None:
    put(tmp_path, 1, "T-7")
    result = ran(tmp_path)
    assert "too few" in str(result.exception)
