"""Recordings cut into runs: where, by which names, what is known of each, and what is kept beside them."""

from __future__ import annotations

import json
import os
import shutil
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
import zstandard
from click.testing import CliRunner, Result

from conformance.commands.main import cli
from conformance.recordings.record.writer import Rotation
from conformance.recordings.runs.cache import FORMAT, INDEX
from conformance.recordings.runs.index import RunIndex, index_of
from conformance.recordings.runs.rule import cut_rule
from protocol.recording import (
    EventKind,
    Header,
    RecordedEvent,
    RecordedMessage,
    RecordingReader,
    RecordingWriter,
)
from protocol.site_file import load_site, scenario_text
from protocol.trouble import Trouble
from tests.recordings.conftest import Yards
from tests.recordings.long_recordings import STARTED, long_recording, simulated

SEEDS = (1, 2, 3)
PARTS = Rotation(60_000)


def ran(*arguments: str | Path) -> Result:
    return CliRunner().invoke(cli, [str(argument) for argument in arguments], standalone_mode=False)


def told(*arguments: str | Path) -> Any:
    return json.loads(ran("runs", *arguments, "--json").stdout)["runs"]


@pytest.fixture(scope="module")
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


def began(index: RunIndex) -> list[int]:
    start = datetime.fromisoformat(STARTED)
    return [
        round((datetime.fromisoformat(run.began) - start) / timedelta(microseconds=1)) for run in index.runs
    ]


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


# ------------------------------------------------------------------------------------------ the index beside
def test_the_index_is_kept_and_only_what_changed_is_read_again(folder: Path) -> None:
    read: list[str] = []
    first = index_of(folder, tick=read.append)
    assert len(read) == len(list(folder.glob("*.ywrec")))
    read.clear()
    assert index_of(folder, tick=read.append).runs == first.runs
    assert read == []
    files, _ = long_recording(folder / "tuesday.ywrec", SEEDS[:1])
    assert len(index_of(folder, tick=read.append).runs) == len(SEEDS) + 1
    assert read == [files[0].name]


def test_a_recording_that_grows_is_read_on_from_its_last_run(
    parts: tuple[Path, list[int]], tmp_path: Path
) -> None:
    """Byte by byte of what a recorder left: the same runs as if all were read at once."""
    whole = sorted(parts[0].glob("*.ywrec"))
    read: list[str] = []
    for number, path in enumerate(whole):
        content = path.read_bytes()
        for part in (0.4, 1.0):
            (tmp_path / path.name).write_bytes(content[: int(part * len(content))])
            read.clear()
            index = index_of(tmp_path, tick=read.append)
            assert len(read) <= 4, "only the last run and what came since"
            (tmp_path / INDEX).rename(tmp_path / "kept")
            assert index_of(tmp_path).runs == index.runs, (number, part)
            (tmp_path / "kept").rename(tmp_path / INDEX)
    assert [run.as_json() for run in index.runs] == [run.as_json() for run in index_of(parts[0]).runs]


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"{",
        b"[]",
        b"null",
        b'{"format":1}',
        b"[" * 100_000,
        b'{"format":1,"rule":"supervisor","parts":[1]}',
    ],
)
def test_an_index_of_a_stranger_is_found_again(folder: Path, content: bytes) -> None:
    first = index_of(folder).runs
    (folder / INDEX).write_bytes(content)
    assert index_of(folder).runs == first
    assert json.loads((folder / INDEX).read_bytes())["format"] == FORMAT


def test_an_index_whose_rows_are_bent_is_found_again(folder: Path) -> None:
    first = index_of(folder).runs
    good = json.loads((folder / INDEX).read_bytes())
    bent = json.loads(json.dumps(good))
    bent["recordings"][0]["runs"][0]["section"] = {"first_byte": "x"}
    for name in ("parts", "resume", "runs", "troubles"):
        for value in (None, 7, [7], {"a": 1}):
            if name == "resume" and value is None:
                continue
            bent = json.loads(json.dumps(good))
            bent["recordings"][0][name] = value
            (folder / INDEX).write_text(json.dumps(bent))
            assert index_of(folder).runs == first, (name, value)


def test_a_folder_that_cannot_be_written_to_is_read_all_the_same(folder: Path) -> None:
    (folder / INDEX).mkdir()
    assert len(index_of(folder).runs) == len(SEEDS)


# ------------------------------------------------------------------------------------------ hostile folders
def test_what_cannot_be_read_is_said_in_a_line_each(folder: Path, yards: Yards) -> None:
    good = yards.good(1).read_bytes()
    with yards.good(1).open("rb") as file:
        reader = RecordingReader(file)
        middle = next(reader.byte for _ in reader if reader.byte > len(good) // 2)
    (folder / "damaged.ywrec").write_bytes(good[:middle] + b"\xff" + good[middle:])
    (folder / "cut.ywrec").write_bytes(good[: len(good) // 2])
    (folder / "text.ywrec").write_text("this is none")
    (folder / "empty.ywrec").write_bytes(b"")
    (folder / "bomb.ywrec.zst").write_bytes(zstandard.compress(good[:200] + bytes(50_000_000)))
    (folder / "folder.ywrec").mkdir()
    (folder / "ring.ywrec").symlink_to(folder / "ring.ywrec")
    (folder / "bad\x1b[2J.ywrec").write_bytes(b"x")
    (folder / "notes.txt").write_text("not looked at")
    os.mkfifo(folder / "pipe.ywrec")
    result = ran("runs", folder)
    assert result.exception is None
    assert result.return_value == 1
    lines = result.stderr.splitlines()
    for name in ("damaged.ywrec", "text.ywrec", "empty.ywrec", "bomb.ywrec.zst"):
        assert sum(name in line for line in lines) == 1, (name, lines)
    assert not any("notes.txt" in line or "pipe" in line for line in lines)
    assert "\x1b" not in result.output
    by_name = {row["name"]: row for row in told(folder)}
    assert "the recording is damaged" in by_name["damaged.ywrec#1"]["cut"]
    assert by_name["cut.ywrec#1"]["cut"].startswith("breaks off at byte")
    assert by_name["cut.ywrec#1"]["result"] == "unfinished"
    assert sum(row["result"] == "done" for row in by_name.values()) == len(SEEDS)


def test_files_that_say_they_continue_each_other_in_a_ring(tmp_path: Path) -> None:
    for name, before in (("a", "b"), ("b", "a"), ("c", "c")):
        with (tmp_path / f"{name}.ywrec").open("wb") as file:
            writer = RecordingWriter(file, Header("harlow-basin", STARTED, "test", "test"))
            writer.event(RecordedEvent(0, EventKind.NOTE, f"continues {before}.ywrec"))
            writer.end(1)
    index = index_of(tmp_path)
    assert index.runs == []
    assert len(index.troubles) == 2


def test_a_message_that_cannot_be_read_is_counted(tmp_path: Path) -> None:
    items, _ = simulated(1)
    with (tmp_path / "odd.ywrec").open("wb") as file:
        writer = RecordingWriter(file, Header("harlow-basin", STARTED, "test", "test"))
        for item in items:
            if isinstance(item, RecordedMessage):
                writer.message(item)
                for payload in (b"", b"{", b"\xa1\x00\x01", b'{"boot":1}', item.payload[:-1]):
                    writer.message(item._replace(payload=payload))
        writer.end(items[-1].at_us)
    run = index_of(tmp_path).runs[0]
    assert run.facts.jobs == {"done": 11}
    assert run.facts.invalid >= 5 * 700


# ------------------------------------------------------------------------------------------ marks
def test_marks_are_kept_in_a_file_that_keeps_its_comments(folder: Path) -> None:
    name = index_of(folder).runs[0].name
    assert (
        ran(
            "runs", "mark", folder / str(name), "--good", "--note", "cold", "--set", "temperature=18.5"
        ).exception
        is None
    )
    file = folder / "runs.toml"
    file.write_text(file.read_text().replace('note = "cold"', 'note = "cold" # the stove was out'))
    assert ran("runs", "mark", folder / str(name), "--bookmark", "first", "--note", "").exception is None
    ran("runs", "mark", folder / str(name), "--note", "warm")
    text = file.read_text()
    assert text.startswith("# What was said of runs")
    said = index_of(folder).marks.of(name)
    assert (said.mark, said.bookmark, said.note, said.figures) == (
        "good",
        "first",
        "warm",
        {"temperature": 18.5},
    )
    assert "bookmark: first; note: warm; temperature 18.5" in " ".join(ran("runs", folder).output.split())
    assert [row["name"] for row in told(folder, "--marked", "good")] == [str(name)]


def test_a_comment_beside_a_mark_stays(folder: Path) -> None:
    name = index_of(folder).runs[0].name
    (folder / "runs.toml").write_text(f'# mine\n["{name}"] # a run\nmark = "bad" # stood short\n')
    ran("runs", "mark", folder / str(name), "--note", "again")
    text = (folder / "runs.toml").read_text()
    assert "# mine" in text
    assert "# stood short" in text
    assert index_of(folder).marks.of(name).note == "again"


@pytest.mark.parametrize(
    "text",
    [
        "[", "cut = 7", '["monday.ywrec"]\nmark = "good"', '["a.ywrec#1"]\nmark = "fine"',
        '["a.ywrec#1"]\nx = [1]', 'cut = "moon"',
    ],
)  # fmt: skip
def test_a_file_of_marks_with_a_mistake_is_said_and_not_written_over(folder: Path, text: str) -> None:
    name = index_of(folder).runs[0].name
    (folder / "runs.toml").write_text(text)
    result = ran("runs", "mark", folder / str(name), "--good")
    assert isinstance(result.exception, Trouble)
    assert "runs.toml" in str(result.exception)
    assert (folder / "runs.toml").read_text() == text


# ------------------------------------------------------------------------------------------ every command takes a run
def test_every_command_that_takes_a_recording_takes_a_run(folder: Path) -> None:
    first, second = (folder / str(run.name) for run in index_of(folder).runs[:2])
    shown = ran("show", second, "--json", "--limit", "1")
    (first_message,) = json.loads(shown.stdout)["messages"]
    assert (first_message["at_us"], first_message["node"]) == (0, "yard")
    assert ran("validate", second).return_value == 0
    assert ran("diff", first, second, "--json").exception is None
    assert ran("show", second, "--stats").exception is None
    for wrong in ("monday-0001.ywrec#9", "sunday.ywrec#1"):
        result = ran("show", folder / wrong)
        assert isinstance(result.exception, Trouble)
        assert "there is no run" in str(result.exception)
    assert isinstance(ran("show", first, second).exception, Trouble)


def test_a_file_that_has_such_a_name_is_itself(tmp_path: Path, yards: Yards) -> None:
    shutil.copy(yards.good(1), tmp_path / "odd.ywrec#1")
    assert ran("validate", tmp_path / "odd.ywrec#1").return_value == 0
