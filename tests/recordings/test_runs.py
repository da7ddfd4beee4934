"""Recordings cut into runs: where, by which names, and by which rule."""

from __future__ import annotations

from pathlib import Path

import pytest
import zstandard

from conformance.recordings.record.writer import Rotation
from conformance.recordings.runs.index import index_of
from conformance.recordings.runs.rule import cut_rule
from protocol.recording import (
    RecordedMessage,
)
from protocol.site_file import load_site, scenario_text
from protocol.trouble import Trouble
from tests.recordings.cut_runs import SEEDS, began, ran, told
from tests.recordings.long_recordings import long_recording, simulated


def test_runs_begin_where_the_log_of_the_simulator_says(parts: tuple[Path, list[int]]) -> None:
    """Whatever part they begin in, and however many they run through."""
    folder, begins = parts
    index = index_of(folder)
    assert began(index) == begins
    assert index.troubles == []
    assert all(run.facts.jobs == {"done": 11} and run.result == "done" for run in index.runs)
    assert [run.restarts for run in index.runs] == [0] * len(SEEDS), (
        "what is switched on for the next run is not reset"
    )
    assert len({run.name for run in index.runs}) == len(SEEDS)
    assert any(len(run.files) > 1 for run in index.runs)


def test_a_run_reads_like_a_recording_of_its_own(parts: tuple[Path, list[int]]) -> None:
    """All that was said in it, once, from its beginning on."""
    index = index_of(parts[0])
    for seed, (run, source) in zip(SEEDS, index.sources(), strict=True):
        items, first = simulated(seed)
        said = [item for item in items if isinstance(item, RecordedMessage)][first - 1 :]
        got = [item for item in source.items() if isinstance(item, RecordedMessage)]
        # Nodes that are switched on before the next supervisor still speak in this run.
        assert [one.payload for one in got[: len(said)]] == [one.payload for one in said]
        assert [one.at_us for one in got[: len(said)]] == [one.at_us - said[0].at_us for one in said]
        assert len(got) == run.facts.messages
        assert source.ended
        assert source.cuts == []


def test_packed_parts_are_the_same_runs_under_the_same_names(folder: Path) -> None:
    before = index_of(folder)
    whole = [list(source.items()) for _, source in before.sources()]
    for path in folder.glob("*.ywrec"):
        path.with_name(path.name + ".zst").write_bytes(zstandard.compress(path.read_bytes()))
        path.unlink()
    after = index_of(folder)
    assert [run.name for run in after.runs] == [run.name for run in before.runs]
    assert [list(source.items()) for _, source in after.sources()] == whole
    name = folder / str(after.runs[1].name)
    said = ran("validate", name).output  # Its words may be coloured.
    assert " messages checked: " in said
    assert "all right" in said


def test_recorded_packed_is_cut_as_well(tmp_path: Path) -> None:
    _, begins = long_recording(tmp_path / "packed.ywrec", SEEDS[:2], Rotation(20_000), pack=True)
    index = index_of(tmp_path)
    assert began(index) == begins
    assert len(list(index.source(index.runs[1]).items())) > 600


def test_names_last_when_old_parts_are_taken_away(folder: Path) -> None:
    before = index_of(folder).runs
    gone = before[1].files[0]
    for path in folder.glob("*.ywrec"):
        if path.name <= gone:
            path.unlink()
    after = index_of(folder).runs
    left = [run.name for run in before if run.name.file > gone]
    assert left
    assert [run.name for run in after if not run.fragment] == left
    assert [str(run.name) for run in after if run.fragment] == [f"{after[0].files[0]}#0"]
    assert "its beginning is not there" in ran("runs", folder).output


@pytest.mark.parametrize(
    "rule", ["supervisor", "goal=siding depart", "jobs=siding admit, south transfer, siding depart"]
)
def test_names_last_by_every_rule(folder: Path, rule: str) -> None:
    before = index_of(folder, cut_rule(rule, "")).runs
    assert len(before) >= len(SEEDS)
    (folder / "monday-0001.ywrec").unlink()
    after = index_of(folder).runs
    names = [str(run.name) for run in before if run.name.file != "monday-0001.ywrec"]
    assert [str(run.name) for run in after if not run.fragment] == names


def test_a_goal_that_is_met_ends_a_run(folder: Path) -> None:
    """Two goals in each life of the supervisor: the train that leaves, and what comes behind it."""
    runs = index_of(folder, cut_rule("goal=siding depart", "")).runs
    assert [run.result for run in runs] == ["done"] * len(SEEDS)
    loads = index_of(folder, cut_rule("goal=* transfer siding", "")).runs
    # Each supervisor carries two boxes to the siding, and departs behind the second.
    assert len(loads) == 3 * len(SEEDS)
    assert [run.result for run in loads] == ["done", "done", "unfinished"] * len(SEEDS)


def test_a_given_order_of_jobs_begins_a_run_with_its_first(folder: Path) -> None:
    runs = index_of(folder, cut_rule("jobs=siding admit, south transfer C-101, siding depart", "")).runs
    whole = [run for run in runs if not run.fragment]
    assert [run.result for run in whole] == ["done"] * len(SEEDS)
    first = next(iter(index_of(folder).source(whole[0]).items()))
    assert isinstance(first, RecordedMessage)
    assert first.topic == "yw1/harlow-basin/siding/job-order"
    other = index_of(folder, cut_rule("jobs=siding admit, siding depart, south transfer C-102", "")).runs
    assert {run.result for run in other if not run.fragment} == {"unfinished"}, (
        "another order than the given one"
    )


def test_the_rule_may_stand_in_the_site_file(folder: Path, tmp_path: Path) -> None:
    site = tmp_path / "site.toml"
    site.write_text(
        scenario_text() + '\n[runs]\ncut = "goal"\njobs = ["* transfer siding"]\n', encoding="utf-8"
    )
    assert load_site(site).runs is not None
    assert len(told(folder, "--site-file", site)) == 3 * len(SEEDS)
    assert len(told(folder)) == 3 * len(SEEDS), "the rule is kept, for names rest on it"
    site.write_text(scenario_text() + '\n[runs]\ncut = "goal"\njobs = ["siding dance"]\n', encoding="utf-8")
    wrong = ran("runs", folder, "--site-file", site).exception
    assert isinstance(wrong, Trouble)
    assert "is no job" in str(wrong)


@pytest.mark.parametrize(
    ("rule", "what"),
    [
        ("tuesday", "no such rule"), ("goal", "has 0 jobs"), ("goal=siding", "is no job"),
        ("goal=siding ask", "is no job"), ("jobs=", "has 0 jobs"), ("supervisor=siding depart", "has 1 jobs"),
    ],
)  # fmt: skip
def test_a_rule_that_means_nothing_is_said(rule: str, what: str) -> None:
    with pytest.raises(Trouble, match=what):
        cut_rule(rule, "--cut")


def test_a_cut_by_another_rule_is_refused_where_runs_are_marked(folder: Path) -> None:
    run = index_of(folder).runs[0].name
    assert ran("runs", "mark", folder / str(run), "--good").exception is None
    refused = ran("runs", folder, "--cut", "goal=siding depart")
    assert isinstance(refused.exception, Trouble)
    assert "other names" in str(refused.exception)
    assert len(told(folder)) == len(SEEDS)
