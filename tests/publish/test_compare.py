"""Verdicts between versions: hand-made edits with known verdicts, and random edits tested by generated messages."""

from __future__ import annotations

import copy
import json
import re
import shutil
from collections.abc import Callable, Mapping
from importlib import resources
from pathlib import Path
from random import Random
from typing import Any

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from jsonschema import Draft202012Validator

from conformance.commands import main
from conformance.publish.artefacts.bundle import bundled
from conformance.publish.compare.change import RECEIVERS, SENDERS
from conformance.publish.compare.compare import VersionComparison, compare
from conformance.publish.compare.corners import corners
from conformance.publish.compare.reader import Reader
from conformance.publish.model import NotExpressible, Variant, merged, schemas, variants
from protocol.schemas import is_valid
from protocol.specification import Figure, Schema, Specification, specification
from tests.examples import examples
from tests.strategies import Body, messages_and_bodies

Edit = Callable[[Any], None]


def version(message: str | None = None, edit: Edit | None = None, **attributes: Any) -> Specification:
    """Version 1 with one schema edited, or with other data in the place of its own."""
    spec = Specification(resources.files("protocol").joinpath("v1"))
    found: dict[str, Any] = {
        "common": copy.deepcopy(spec.common),
        "messages": copy.deepcopy(spec.messages),
        "acts": copy.deepcopy(spec.acts),
        **attributes,
    }
    if edit is not None and message is not None:
        edit(found["common"] if message == "common" else {**found["acts"], **found["messages"]}[message])
    spec.__dict__.update(found)
    return spec


def only(spec: Specification, message: str) -> Specification:
    """The same with one message or act alone, which is quicker to compare."""
    acts = {name: schema for name, schema in spec.acts.items() if name == message}
    wanted = "job-order" if acts else message
    spec.__dict__.update(acts=acts, messages={wanted: spec.messages[wanted]})
    return spec


def pair(message: str, edit: Edit) -> tuple[Specification, Specification]:
    """Version 1 and its edit; of a shared kind of value with the order that carries most of them."""
    about = "transfer" if message == "common" else message
    return only(version(), about), only(version(message, edit), about)


def judged(message: str, edit: Edit) -> VersionComparison:
    return compare(*pair(message, edit))


def breaks(comparison: VersionComparison) -> set[str]:
    return {side for change in comparison.changes for side in change.breaks}


# ---------------------------------------------------------------- what the reasoning rests on
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


# ---------------------------------------------------------------- random edits
MESSAGES = 8
"""Generated for each verdict of 'compatible'."""
PLACES = [
    "fault",
    "train-arrival",
    "crane-status",
    "job-report",
    "node-status",
    "transfer",
    "stimulus",
    "reset-fault",
]


@st.composite
def edits(draw: st.DrawFn) -> tuple[str, Edit]:
    """An edit of one schema such as an author makes, sensible or not."""
    message = draw(st.sampled_from(PLACES))
    schema = {**specification().acts, **specification().messages}[message]
    name = draw(st.sampled_from(sorted(set(schema["properties"]) - {"act"})))
    whole = merged(specification(), schema["properties"][name])
    number = draw(st.integers(1, 40))
    kinds: list[Edit] = [
        put({"type": "integer", "minimum": 0, "maximum": number, "cborKey": 22}, "properties", "novel"),
        required(name) if name not in schema["required"] else dropped(name),
        put(schema["properties"][name] | {"cborKey": draw(st.integers(0, 23))}, "properties", name),
    ]
    if whole.get("type") == "integer":
        low, high = whole["minimum"] + draw(st.integers(-5, 5)), whole["maximum"] + draw(st.integers(-5, 5))
        kinds.append(
            put({**whole, "minimum": low, "maximum": high, "cborKey": whole["cborKey"]}, "properties", name)
        )
    if "enum" in whole:
        words = draw(st.permutations(whole["enum"]))[: max(1, len(whole["enum"]) - number % 3)]
        kinds.append(put({**whole, "enum": words}, "properties", name))
    if whole.get("type") == "string":
        kinds.append(put({**whole, "maxLength": number}, "properties", name))
    if whole.get("type") == "array" and "items" in whole:
        kinds.append(put({**whole, "maxItems": number}, "properties", name))
    if name not in schema["required"]:
        kinds.append(
            lambda schema: schema.setdefault("dependentRequired", {}).update({name: [schema["required"][0]]})
        )
    return message, draw(st.sampled_from(kinds))


def random_message(spec: Specification, schema: Schema, rng: Random) -> Body:
    """A message of any version of a schema."""
    variant = rng.choice(variants(spec, schema))
    chosen = {name for name in variant.optional if rng.random() < 0.5}
    present = variant.required | chosen | {other for name in chosen for other in variant.needs.get(name, ())}
    return {
        name: rng.choice(field.allowed) if field.words else _value(spec, field.schema, rng)
        for name, field in variant.fields.items()
        if name in present
    }


def _value(spec: Specification, schema: Schema, rng: Random) -> Any:
    if "enum" in schema:
        return rng.choice(schema["enum"])
    match schema["type"]:
        case "integer":
            return rng.randint(schema["minimum"], schema["maximum"])
        case "boolean":
            return rng.random() < 0.5
        case "string":
            refused = re.compile(schema["not"]["pattern"])
            letters = [letter for letter in map(chr, range(0x20, 0x7F)) if not refused.search(letter)]
            return "".join(
                rng.choices(letters, k=rng.randint(schema.get("minLength", 0), schema["maxLength"]))
            )
    if "prefixItems" in schema:
        return [_value(spec, merged(spec, part), rng) for part in schema["prefixItems"]]
    entries = [
        _value(spec, merged(spec, schema["items"]), rng)
        for _ in range(rng.randint(schema.get("minItems", 0), schema["maxItems"]))
    ]
    return list(dict.fromkeys(entries)) if schema.get("uniqueItems") else entries


def compared(old: Specification, new: Specification) -> VersionComparison | str:
    """The comparison, or in words why there is none."""
    try:
        return compare(old, new)
    except NotExpressible as refused:
        return str(refused)


@given(edits())
@examples(60)
@example(("job-report", dropped("state")))  # A condition that hangs on a field which may be left out.
@example(("stimulus", put(0, "properties", "inputs", "maxItems")))
@pytest.mark.slow
def test_random_edit(edited: tuple[str, Edit]) -> None:
    """A verdict 'compatible' holds for generated messages, and a witness is what it claims to be, by jsonschema."""
    message, edit = edited
    old, new = only(version(), message), only(version(message, edit), message)
    comparison = compared(old, new)
    if isinstance(comparison, str):
        assert re.search(r"same|two fields have the cborKey|is above|more than \d+ entries", comparison)
        return  # No specification: two fields with one key, or a field without a value.
    rng = Random(f"{message} {len(comparison.changes)}")
    pairs = {SENDERS: (old, new), RECEIVERS: (new, old)}
    for side, (writer, reader) in pairs.items():
        name, act, theirs = next(schemas(writer))
        if side not in breaks(comparison):
            for _ in range(MESSAGES):
                body = random_message(writer, theirs, rng)
                assert list(Reader(reader).troubles(writer, name, act, body)) == []
    for change in comparison.changes:
        if change.witness is not None:
            writer, _ = pairs[change.breaks[0]]
            _, _, theirs = next(schemas(writer))
            assert Draft202012Validator(bundled(writer, theirs)).is_valid(change.witness.body)


# ---------------------------------------------------------------- what no author would write
JUNK: list[Any] = [
    None, True, False, -1, 0, 3, 1.5, 2**70, "", "state", "[^", "[^\\x00-\\x7f]", [], ["boot"], ["nobody"], {},
    {"const": "on"}, {"const": 3}, {"$ref": "urn:yardwire:v1:common#/$defs/nothing"}, {"pattern": "(a+)+"},
    {"$ref": "urn:yardwire:v1:message:job-report"}, {"type": "integer"}, {"type": "string", "maxLength": 10**9},
    {"type": ["string", "null"]}, {"anyOf": [{"type": "boolean"}]}, {"not": {"const": "on"}},
]  # fmt: skip
KEYWORDS = [
    "$ref", "additionalProperties", "allOf", "anyOf", "const", "cborKey", "default", "dependentRequired",
    "dependentSchemas", "else", "enum", "exclusiveMaximum", "format", "if", "items", "maxItems", "maxLength", "maximum",
    "minItems", "minimum", "multipleOf", "not", "pattern", "prefixItems", "properties", "propertyNames", "required",
    "then", "type", "unevaluatedProperties", "uniqueItems",
]  # fmt: skip


@st.composite
def manglings(draw: st.DrawFn) -> tuple[str, Edit]:
    """Parts of a schema taken out, or with something else in their place, wherever they stand."""
    message = draw(st.sampled_from([*PLACES, "common"]))
    turns = draw(st.lists(st.integers(0, 60), min_size=1, max_size=7))
    junk, keyword, way = (
        draw(st.sampled_from(JUNK)),
        draw(st.sampled_from(KEYWORDS)),
        draw(st.sampled_from(["out", "put", "add"])),
    )

    def edit(schema: Any) -> None:
        part, step = schema, None
        for turn in turns:
            steps = (
                list(part) if isinstance(part, dict) else range(len(part)) if isinstance(part, list) else []
            )
            if not steps:
                break
            step, holder = steps[turn % len(steps)], part
            part = part[step]
        if way == "add" and isinstance(part, dict):
            part[keyword] = copy.deepcopy(junk)
        elif way == "out":
            del holder[step]
        else:
            holder[step] = copy.deepcopy(junk)

    return message, edit


@given(manglings())
@examples(60)
@pytest.mark.slow
def test_what_cannot_be_compared_is_refused_in_words(mangled: tuple[str, Edit]) -> None:
    """Never an internal error; what is compared has witnesses that hold, by jsonschema."""
    message, edit = mangled
    old, new = pair(message, edit)
    comparison = compared(old, new)
    if isinstance(comparison, str):
        about = next("job-order " + act if act else name for name, act, _ in schemas(old))
        assert comparison.startswith((about, "common"))
        assert "\n" not in comparison
        return
    pairs = {SENDERS: old, RECEIVERS: new}
    for change in comparison.changes:
        if change.witness is not None:
            writer = pairs[change.breaks[0]]
            _, _, theirs = next(schemas(writer))
            assert Draft202012Validator(bundled(writer, theirs)).is_valid(change.witness.body)
