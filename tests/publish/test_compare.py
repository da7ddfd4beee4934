"""Verdicts between versions: hand-made edits with known verdicts, and random edits tested by generated messages."""

from __future__ import annotations

import copy
from collections.abc import Callable, Mapping
from importlib import resources
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from jsonschema import Draft202012Validator

from conformance.commands import main
from conformance.publish.bundle import bundled
from conformance.publish.compare import RECEIVERS, SENDERS, Comparison, compare
from conformance.publish.corners import corners
from conformance.publish.model import Variant, merged, schemas, variants
from conformance.publish.reader import Reader
from protocol.schemas import is_valid
from protocol.specification import Figure, Schema, Specification, specification
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


def judged(message: str, edit: Edit) -> Comparison:
    return compare(*pair(message, edit))


def breaks(comparison: Comparison) -> set[str]:
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
    assert number(1, 1, adds) == ""
    assert number(2, 0, required("part")) == ""
    assert "major" in number(1, 7, required("part"))
    assert "minor" in number(1, 0, adds)
    assert "goes back" in number(0, 9, adds)


def test_command_says_who_is_broken(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    import shutil

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


# ---------------------------------------------------------------- random edits
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


def random_messages(spec: Specification, schema: Schema) -> st.SearchStrategy[Body]:
    """Messages of any version of a schema."""
    return st.sampled_from(variants(spec, schema)).flatmap(lambda variant: _random(spec, variant))


def _random(spec: Specification, variant: Variant) -> st.SearchStrategy[Body]:
    def complete(chosen: set[str]) -> set[str]:
        return chosen | {other for name in chosen for other in variant.needs.get(name, ())}

    picked = st.sets(st.sampled_from(variant.optional)) if variant.optional else st.just(set[str]())
    fields = {
        name: st.sampled_from(field.allowed) if field.words else _values(spec, field.schema)
        for name, field in variant.fields.items()
    }
    return st.tuples(st.fixed_dictionaries(fields), picked).map(
        lambda drawn: {n: v for n, v in drawn[0].items() if n in variant.required | complete(drawn[1])}
    )


def _values(spec: Specification, schema: Schema) -> st.SearchStrategy[Any]:
    if "enum" in schema:
        return st.sampled_from(schema["enum"])
    match schema["type"]:
        case "integer":
            return st.integers(schema["minimum"], schema["maximum"])
        case "boolean":
            return st.booleans()
        case "string":
            return st.from_regex(
                f"[{schema['not']['pattern'][2:]}{{{schema.get('minLength', 0)},{schema['maxLength']}}}",
                fullmatch=True,
            )
    if "prefixItems" in schema:
        return st.tuples(*(_values(spec, merged(spec, part)) for part in schema["prefixItems"])).map(list)
    entries = _values(spec, merged(spec, schema["items"]))
    unique = schema.get("uniqueItems", False)
    return st.lists(entries, min_size=schema.get("minItems", 0), max_size=schema["maxItems"], unique=unique)


@given(st.data())
@settings(max_examples=120)
def test_random_edit(data: st.DataObject) -> None:
    """A verdict 'compatible' holds for generated messages, and a witness is what it claims to be, by jsonschema."""
    message, edit = data.draw(edits())
    old, new = only(version(), message), only(version(message, edit), message)
    schema = next(part for _, _, part in schemas(new))
    keys = [part["cborKey"] for part in schema["properties"].values()]
    if len(set(keys)) < len(keys) or any(
        part.get("minimum", 0) > part.get("maximum", 0) or part.get("minItems", 0) > part.get("maxItems", 99)
        for part in schema["properties"].values()
    ):
        return  # No specification: two fields with one key, or a field without a value.
    comparison = compare(old, new)
    pairs = {SENDERS: (old, new), RECEIVERS: (new, old)}
    for side, (writer, reader) in pairs.items():
        name, act, theirs = next(schemas(writer))
        if side not in breaks(comparison):
            body = data.draw(random_messages(writer, theirs))
            assert list(Reader(reader).troubles(writer, name, act, body)) == []
    for change in comparison.changes:
        if change.witness is not None:
            writer, _ = pairs[change.breaks[0]]
            _, _, theirs = next(schemas(writer))
            assert Draft202012Validator(bundled(writer, theirs)).is_valid(change.witness.body)
