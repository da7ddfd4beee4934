"""Verdicts between versions: what the reasoning rests on, and hand-made edits with known verdicts."""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Mapping
from importlib import resources
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given

from conformance.commands import main
from conformance.publish.compare.change import RECEIVERS, SENDERS
from conformance.publish.compare.compare import compare
from conformance.publish.compare.corners import corners
from conformance.publish.model import Variant, schemas, variants
from protocol.schemas import is_valid
from protocol.specification import Figure, specification
from tests.publish.versions import Edit, breaks, judged, only, pair, version
from tests.strategies import Body, messages_and_bodies


@given(messages_and_bodies())
def test_variants_cover_every_message(drawn: tuple[str, Body]) -> None:
    """The bodies are drawn by strategies that know nothing of the variants."""
    message, body = drawn
    spec = specification()
    schema = spec.acts[body["act"]] if message == "job-order" else spec.messages[message]
    assert any(covers(variant, body) for variant in variants(spec, schema))


def covers(variant: Variant, body: Mapping[str, Any]) -> bool:
    return (
        variant.required <= set(body) <= set(variant.fields)
        and all(variant.needs.get(name, frozenset()) <= set(body) for name in body)
        and all(
            not field.words or body[name] in field.allowed
            for name, field in variant.fields.items()
            if name in body
        )
    )


def test_corners_are_messages() -> None:
    spec = specification()
    for message, act, schema in schemas(spec):
        bodies = list(corners(spec, schema))
        assert all(is_valid(message, body, closed=True) for body in bodies), (message, act)
        words = {word for body in bodies for word in body.values() if isinstance(word, str)}
        assert act is None or act in words


def test_a_version_takes_itself() -> None:
    comparison = compare(version(), version())
    assert comparison.changes == ()
    assert comparison.wrong_number == ""


# ---------------------------------------------------------------- edits by hand
def required(name: str) -> Edit:
    return lambda schema: schema["required"].append(name)


def dropped(name: str) -> Edit:
    return lambda schema: schema["required"].remove(name)


def put(value: Any, *path: str) -> Edit:
    def edit(schema: Any) -> None:
        for step in path[:-1]:
            schema = schema[step]
        schema[path[-1]] = value

    return edit


def gone(schema: Any) -> None:
    del schema["properties"]["memory"]


BY_HAND: list[tuple[str, str, Edit, set[str]]] = [
    ("optional field added", "fault", put({"type": "boolean", "cborKey": 20}, "properties", "lamp"), set()),
    ("optional field removed", "node-status", gone, set()),
    ("optional field required", "admit", required("train"), {SENDERS}),
    ("required field optional", "jog", dropped("target"), {RECEIVERS}),
    ("range narrowed", "node-status", put(256, "properties", "buffer", "minimum"), {SENDERS}),
    ("range widened", "node-status", put(64, "properties", "buffer", "minimum"), {RECEIVERS}),
    ("range moved", "node-status", put(9, "properties", "minor", "minimum"), {SENDERS}),
    ("key changed", "fault", put(21, "properties", "faults", "cborKey"), {SENDERS, RECEIVERS}),
    (
        "word appended",
        "shuttle-status",
        lambda s: s["properties"]["state"]["enum"].append("parked"),
        {RECEIVERS},
    ),
    ("word removed", "crane-status", lambda s: s["properties"]["mode"]["enum"].pop(), {SENDERS}),
    (
        "word inserted",
        "crane-status",
        lambda s: s["properties"]["mode"]["enum"].insert(0, "off"),
        {SENDERS, RECEIVERS},
    ),
    (
        "words swapped",
        "crane-status",
        lambda s: s["properties"]["spreader"]["enum"].reverse(),
        {SENDERS, RECEIVERS},
    ),
    ("label shortened", "common", put(6, "$defs", "place", "maxLength"), {SENDERS}),
    (
        "label with other characters",
        "common",
        put({"pattern": "[^A-Za-z0-9_-]"}, "$defs", "box", "not"),
        {RECEIVERS},
    ),
    ("more entries", "stimulus", put(12, "properties", "inputs", "maxItems"), {RECEIVERS}),
    (
        "entries of another kind",
        "jog",
        put({"type": "boolean"}, "properties", "target", "items"),
        {SENDERS, RECEIVERS},
    ),
    ("field of a condition optional", "job-report", dropped("state"), {RECEIVERS}),
    ("condition dropped", "yard-map", lambda s: s.pop("then"), {RECEIVERS}),
    ("fields tied together", "fault", put(["level", "part"], "dependentRequired", "changed"), {SENDERS}),
    ("description", "fault", put("Other words.", "description"), set()),
]


@pytest.mark.parametrize(
    ("message", "edit", "wanted"), [row[1:] for row in BY_HAND], ids=[row[0] for row in BY_HAND]
)
def test_edit_by_hand(message: str, edit: Edit, wanted: set[str]) -> None:
    comparison = judged(message, edit)
    assert breaks(comparison) == wanted
    for change in comparison.changes:
        assert (change.witness is not None) == bool(change.breaks)
    if wanted:
        assert "major version has to rise" in comparison.wrong_number
    elif comparison.changes:
        assert "minor version has to rise" in comparison.wrong_number


def test_shared_word_breaks_every_message_that_carries_it() -> None:
    comparison = compare(
        version(), version("common", lambda s: s["$defs"]["reason"]["enum"].append("asleep"))
    )
    assert [(change.where, change.breaks) for change in comparison.changes] == [
        ("job-report.reason", (RECEIVERS,))
    ]
    witness = comparison.changes[0].witness
    assert witness is not None
    assert witness.body["reason"] == "asleep"


@pytest.mark.slow
def test_there_and_back_swaps_the_sides() -> None:
    """What breaks senders one way breaks receivers the other way."""
    swap = {SENDERS: RECEIVERS, RECEIVERS: SENDERS}
    for _, message, edit, _ in BY_HAND:
        old, new = pair(message, edit)
        assert breaks(compare(new, old)) == {swap[side] for side in breaks(compare(old, new))}


def test_new_and_old_acts() -> None:
    acts = specification().acts
    fewer = {name: schema for name, schema in acts.items() if name != "park"}
    assert breaks(compare(version(), version(acts=fewer))) == {SENDERS}
    assert breaks(compare(version(acts=fewer), version())) == {RECEIVERS}


@pytest.mark.parametrize(
    ("bounds", "wanted"),
    [
        ({"least": 2, "most": 10}, {SENDERS}),
        ({"least": 1, "most": 15}, {RECEIVERS}),
        ({"least": 3, "most": 20}, {SENDERS, RECEIVERS}),
        ({"least": 2, "most": 15}, set()),
    ],
)
def test_times(bounds: dict[str, int], wanted: set[str]) -> None:
    timing = specification().timing
    figure = Figure("keep_alive", "s", "another meaning", **bounds)
    assert breaks(compare(version(), version(timing={**timing, "keep_alive": figure}))) == wanted


def test_version_numbers() -> None:
    def number(major: int, minor: int, edit: Edit) -> str:
        return compare(
            only(version(), "fault"), only(version("fault", edit, major=major, minor=minor), "fault")
        ).wrong_number

    adds = put({"type": "boolean", "cborKey": 20}, "properties", "lamp")
    ours = specification().minor
    assert number(1, ours + 1, adds) == ""
    assert number(2, 0, required("part")) == ""
    assert "major" in number(1, ours + 7, required("part"))
    assert "minor" in number(1, ours, adds)
    assert "goes back" in number(0, 9, adds)


@pytest.mark.slow
def test_command_says_who_is_broken(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with resources.as_file(resources.files("protocol").joinpath("v1")) as data:
        assert main.run(["publish", "--against", str(data)]) == 0
        assert "nothing changed" in capsys.readouterr().out
        shutil.copytree(data, tmp_path / "specification")
    timing = tmp_path / "specification" / "timing.toml"
    timing.write_text(
        timing.read_text("utf-8").replace("least = 2\nmost = 15", "least = 2\nmost = 20"), "utf-8"
    )
    assert main.run(["publish", "--against", str(tmp_path)]) == 1
    said = capsys.readouterr().out
    assert "timing keep_alive: 2 to 20 s became 2 to 15 s (breaks senders)" in said
    assert "major version has to rise" in said
    assert main.run(["publish", "--against", str(tmp_path / "nowhere")]) == 2
    assert main.run(["publish"]) == 2


def test_command_refuses_in_one_line_what_it_cannot_compare(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with resources.as_file(resources.files("protocol").joinpath("v1")) as data:
        shutil.copytree(data, tmp_path / "specification")
    path = tmp_path / "specification" / "messages" / "fault.schema.json"
    schema = json.loads(path.read_text("utf-8"))
    schema["properties"]["part"]["pattern"] = "x+"
    path.write_text(json.dumps(schema), "utf-8")
    assert main.run(["publish", "--against", str(tmp_path)]) == 2
    told = capsys.readouterr()
    assert told.out == ""
    assert re.fullmatch(
        r"Error: \S+: versions cannot be compared .*fault, at properties part: .*'pattern'.*\n", told.err
    )
