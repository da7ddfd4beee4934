"""What is kept beside runs: the index, read again where it is wrong, and marks; and how commands are told a run."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from conformance.recordings.runs.cache import FORMAT, INDEX
from conformance.recordings.runs.index import index_of
from protocol.trouble import Trouble
from tests.recordings.conftest import Yards
from tests.recordings.cut_runs import SEEDS, ran, told
from tests.recordings.long_recordings import long_recording


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
