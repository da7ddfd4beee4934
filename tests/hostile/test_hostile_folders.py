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


def case_file(path: Path, steps: object) -> Path:
    """A case of a corpus as the fuzzer writes it, but for its steps."""
    body = {
        "fuzz": 1, "node": "north", "requirement": "ENC-01", "what": "x", "oracle": "MESSAGE", "sentence": "s",
        "steps": json.dumps(steps),
    }  # fmt: skip
    file = io.BytesIO()
    writer = RecordingWriter(file, Header("harlow-basin", STARTED, "here", "0"))
    writer.event(RecordedEvent(0, "note", json.dumps(body)))
    writer.end(0)
    path.write_bytes(file.getvalue())
    return path


CLAIM = {"act": "claim"}
UNPLAYABLE: list[tuple[str, object, str]] = [
    ("eval", {}, "step 2: there is no kind 'eval'"),
    ("order", {}, "step 2, order: act is ''"),
    ("order", {"act": "explode"}, "act is 'explode'"),
    ("order", {**CLAIM, "topic": "yw1/harlow-basin/south/job-order"}, "topic is 'yw1/harlow-basin/south/job-order'"),
    ("order", {**CLAIM, "topic": "south"}, "topic is 'south'"),
    ("bytes", {"hex": "a0", "topic": "{own}/../../south/job-order"}, "topic is"),
    ("bytes", {"hex": "no hex"}, "non-hexadecimal"),
    ("order", {**CLAIM, "id_": "any"}, "id_ is 'any'"),
    ("order", {**CLAIM, "boot": 7}, "boot is '7'"),
    ("order", {**CLAIM, "deadline": "never"}, "deadline is 'never'"),
    ("order", {**CLAIM, "encoding": "xml"}, "encoding is 'xml'"),
    ("order", {**CLAIM, "mutation": ["so so", 1]}, "there is no way 'so so'"),
    ("order", {**CLAIM, "mutation": [1]}, "step 2, order"),
    ("order", {"act": "resume", "holds": "$secret"}, "holds is '$secret'"),
    ("order", {**CLAIM, "no-field": 1}, "step 2, order"),
    ("order", {**CLAIM, "broken": 7}, "its fields are not those"),
    ("message", {"message": "letter", "body": {}}, "message is 'letter'"),
    ("wait", {"ms": 10**9}, "ms is '1000000000'"),
    ("wait", {"ms": "long"}, "ms is 'long'"),
    ("wait", {}, "ms is 'None'"),
    ("again", {"back": 0}, "back is '0'"),
    ("link", {"fault": "fire", "ms": 1}, "fault is 'fire'"),
    ("sensors", {"pick": -1}, "pick is '-1'"),
]  # fmt: skip


@pytest.mark.parametrize(("kind", "fields", "why"), UNPLAYABLE, ids=range(len(UNPLAYABLE)))
def test_a_step_that_no_fuzzer_made_is_refused_before_anything_is_sent(
    kind: str, fields: object, why: str, tmp_path: Path
) -> None:
    """Most of all one that would order another machine than the one under test."""
    good = {"kind": "order", "says": "a claim", "fields": CLAIM}
    path = case_file(tmp_path / "north-x.ywrec", [good, {"kind": kind, "says": "x", "fields": fields}])
    with pytest.raises(Trouble) as refused:
        list(Corpus(tmp_path, "harlow-basin", "north", "0").cases())
    assert why in str(refused.value)
    assert str(path) in str(refused.value)
    assert "Move it out of the corpus" in str(refused.value)


@pytest.mark.parametrize(
    "steps", [[], [{"kind": "fence", "says": "", "fields": {}}] * 1001], ids=["none", "many"]
)
def test_a_case_has_steps_and_not_too_many(steps: object, tmp_path: Path) -> None:
    with pytest.raises(Trouble, match=r"it has \d+ steps"):
        read_case(case_file(tmp_path / "north-x.ywrec", steps))


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
