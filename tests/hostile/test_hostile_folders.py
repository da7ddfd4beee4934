"""Folders that hold hostile files: a corpus of the fuzzer, a specification to compare with, a brief."""

from __future__ import annotations

import io
import json
import shutil
from pathlib import Path

import pytest

import protocol
from conformance.fuzz.run.corpus import Corpus, read_case
from conformance.publish.compare.versions import specification_in
from conformance.suite.brief import read_brief
from protocol.recording import Header, RecordedEvent, RecordingWriter
from protocol.site_file import scenario
from protocol.trouble import Trouble
from tests.hostile.files import STARTED, recordings, tables, texts
from tests.sample import sampled

SHORT = {one.name: one for one in recordings() if isinstance(one.made, bytes)}
NOTES = (
    "[" * 100_000, '{"fuzz":1', "null", "[]", '{"steps":"' + "[" * 100_000 + '"}', '{"round":' + "9" * 5000 + "}",
    json.dumps({"requirement": "ENC-01", "what": "x", "oracle": [], "sentence": "", "steps": "[]"}),
    json.dumps({"requirement": "ENC-01", "what": "x", "oracle": "REFEREE", "sentence": "", "steps": "[" * 90_000}),
    json.dumps({"requirement": "ENC-01", "what": "x", "oracle": "REFEREE", "sentence": "", "steps": "[[1]]"}),
)  # fmt: skip


@pytest.mark.parametrize(
    "name", sampled(sorted(SHORT), sorted(SHORT.keys() - {"item-wide.ywrec"}), rest="slow")
)
def test_a_recording_in_a_corpus_that_is_no_case(name: str, tmp_path: Path) -> None:
    path = tmp_path / name
    path.write_bytes(SHORT[name].content)
    with pytest.raises(Trouble, match="not a case of a fuzz corpus"):
        read_case(path)


@pytest.mark.parametrize("note", NOTES, ids=lambda note: note[:20])
def test_a_note_in_a_corpus_that_is_no_case(note: str, tmp_path: Path) -> None:
    file = io.BytesIO()
    writer = RecordingWriter(file, Header("harlow-basin", STARTED, "here", "0"))
    writer.event(RecordedEvent(0, "note", note))
    writer.end(0)
    path = tmp_path / "north.ywrec"
    path.write_bytes(file.getvalue())
    with pytest.raises(Trouble, match="not a case of a fuzz corpus"):
        read_case(path)


@pytest.mark.parametrize("name", [one.name for one in texts() if one.name.endswith(".json")])
def test_a_mark_or_a_brief_that_is_none(name: str, tmp_path: Path) -> None:
    content = next(one for one in texts() if one.name == name).content
    (tmp_path / "north.next.json").write_bytes(content)
    with pytest.raises(Trouble):
        Corpus(tmp_path, "harlow-basin", "north", "0").mark()
    with pytest.raises(Trouble):
        read_brief(tmp_path / "north.next.json", scenario())


@pytest.mark.parametrize(
    "name", [one.name for one in tables() if "places" not in one.name and "nodes" not in one.name]
)
def test_a_specification_that_is_none(name: str, tmp_path: Path) -> None:
    content = next(one for one in tables() if one.name == name).content
    folder = tmp_path / "v1"
    shutil.copytree(Path(protocol.__file__).parent / "v1", folder)
    specification_in(folder)
    (folder / "version.toml").write_bytes(content)
    with pytest.raises(Trouble):
        specification_in(folder)


@pytest.mark.parametrize("name", [one.name for one in texts() if one.name.endswith(".json")])
def test_a_schema_that_is_none(name: str, tmp_path: Path) -> None:
    content = next(one for one in texts() if one.name == name).content
    folder = tmp_path / "v1"
    shutil.copytree(Path(protocol.__file__).parent / "v1", folder)
    (folder / "messages" / "fault.schema.json").write_bytes(content)
    with pytest.raises(Trouble):
        specification_in(folder)
