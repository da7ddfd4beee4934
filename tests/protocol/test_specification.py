"""A linter for the specification itself: what its files say of each other has to be so."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator
from importlib import resources
from itertools import pairwise
from typing import Any

import pytest

from protocol.codec.shape import Kind, shape_of
from protocol.guards import ORDER_GUARDS
from protocol.machine_guards import MACHINE_GUARDS
from protocol.schemas import is_valid, opened
from protocol.specification import specification
from protocol.topics import NotATopic, parse_topic
from protocol.transition_table import Table

SPEC = specification()
PARTS = [(message, None) for message in SPEC.messages] + [("job-order", act) for act in SPEC.acts]
KEYWORDS_THAT_READERS_DIFFER_IN = {"format", "multipleOf", "patternProperties", "$dynamicRef"}
SENT = {"report", "state", "fault", "refusal", "order", "ask", "claim"}


def _parts(value: Any, path: str = "") -> Iterator[tuple[str, dict[str, Any]]]:
    """Every map in a schema with its place."""
    if isinstance(value, dict):
        yield path, value
        for name, part in value.items():
            yield from _parts(part, f"{path}/{name}")
    elif isinstance(value, list):
        for position, part in enumerate(value):
            yield from _parts(part, f"{path}/{position}")


def _rows(file: str) -> dict[str, Any]:
    text = resources.files("protocol").joinpath("v1", file).read_text(encoding="utf-8")
    return tomllib.loads(text)


@pytest.mark.parametrize("urn", SPEC.by_urn)
def test_meanings_are_of_all_words(urn: str) -> None:
    for path, part in _parts(SPEC.by_urn[urn]):
        if isinstance(part.get("enum"), list) and "/else" not in path:
            assert len(set(part["enum"])) == len(part["enum"]), path
            if "meanings" in part:
                assert list(part["meanings"]) == part["enum"], path
            elif "propertyNames" not in path:
                assert path == "/$defs/step", f"{path} has words without meanings"


@pytest.mark.parametrize("urn", SPEC.by_urn)
def test_schemas_use_only_what_all_implementations_agree_on(urn: str) -> None:
    for path, part in _parts(SPEC.by_urn[urn]):
        assert not KEYWORDS_THAT_READERS_DIFFER_IN & part.keys(), path
        if isinstance(part.get("pattern"), str):
            assert not re.search(r"\\[dws]|\$$", part["pattern"]), path
        if "$ref" in part:
            assert part["$ref"].partition("#")[0] in SPEC.by_urn, path


@pytest.mark.parametrize(("message", "act"), PARTS)
def test_cbor_keys(message: str, act: str | None) -> None:
    keys = list(shape_of(message, act).keys.values())
    assert len(set(keys)) == len(keys)
    assert all(0 <= key <= 23 for key in keys), "a key has to fit into one byte"


def test_a_field_has_the_same_key_in_every_act() -> None:
    keys: dict[str, set[int]] = {}
    for act in SPEC.acts:
        for name, key in shape_of("job-order", act).keys.items():
            keys.setdefault(name, set()).add(key)
    assert {name: found for name, found in keys.items() if len(found) > 1} == {}
    assert len({min(found) for found in keys.values()}) == len(keys), "two fields of orders share a key"


def test_common_fields_have_the_same_key_in_every_state_message() -> None:
    for name in ("boot", "seq", "uptime", "mark", "job", "job_state", "held", "holds"):
        keys = {shape.keys[name] for shape in map(shape_of, SPEC.messages) if name in shape.keys}
        assert len(keys) == 1, name


@pytest.mark.parametrize(("message", "act"), PARTS)
def test_every_field_says_what_it_means(message: str, act: str | None) -> None:
    def silent(name: str, kind: Kind) -> bool:
        return name != "act" and not kind.description

    assert [name for name, kind in shape_of(message, act).fields.items() if silent(name, kind)] == []


@pytest.mark.parametrize(("message", "act"), PARTS)
def test_every_number_and_text_is_bounded(message: str, act: str | None) -> None:
    def check(kind: Kind) -> None:
        bounds = {
            "integer": ("minimum", "maximum"),
            "string": ("maxLength", "not"),
            "array": ("minItems", "maxItems"),
        }
        for bound in bounds.get(kind.schema.get("type", ""), ()):
            assert bound in kind.schema, kind
        for entry in (*kind.first, *filter(None, [kind.rest])):
            check(entry)

    for kind in shape_of(message, act).fields.values():
        check(kind)


@pytest.mark.parametrize(("message", "act"), PARTS)
def test_examples_are_valid(message: str, act: str | None) -> None:
    for example in shape_of(message, act).schema.get("examples", ()):
        assert is_valid(message, example, closed=True), example
        if act is not None:
            assert example["act"] == act


def test_acts_and_their_words_are_the_same() -> None:
    fragments = [schema["title"] for schema in SPEC.acts.values()]
    assert fragments == list(SPEC.words("act"))
    named = [part["then"]["$ref"].rpartition(":")[2] for part in SPEC.messages["job-order"]["allOf"]]
    assert named == fragments


def test_opened_schemas_only_lose_what_closes_them() -> None:
    for urn, schema in SPEC.by_urn.items():
        text = str(opened(schema))
        assert "additionalProperties" not in text
        assert "propertyNames" not in text
        assert opened(schema)["$id"] == urn
        assert opened(schema).get("required") == schema.get("required")


def test_fault_codes_have_a_level_each() -> None:
    levels = SPEC.common["$defs"]["fault_code"]["levels"]
    assert list(levels) == list(SPEC.words("fault_code"))
    assert set(levels.values()) <= set(SPEC.words("level"))


@pytest.mark.parametrize("id_", _rows("requirements.toml"))
def test_requirements(id_: str) -> None:
    row = _rows("requirements.toml")[id_]
    assert re.fullmatch("[A-Z]{3}-[0-9]{2}", id_)
    assert set(row) <= {"level", "role", "seen", "says", "why", "source", "since"}
    assert 0 <= row.get("since", 0) <= SPEC.minor
    assert row["level"] in ("MUST", "SHOULD")
    assert row["role"] in ("node", "crane", "berth", "shuttle", "supervisor", "sender", "receiver", "gateway")
    assert row["seen"] in ("subscriber", "tap", "line", "stimulus", "person", "declared")
    assert row["says"].endswith(".")
    assert row["why"].endswith(".")
    figures = SPEC.timing | SPEC.limits
    assert set(re.findall(r"\{([^}]*)\}", row["says"] + row["why"])) <= set(figures)
    assert "{" not in SPEC.requirements[id_].says


def test_ids_go_up_within_each_chapter() -> None:
    for before, after in pairwise(_rows("requirements.toml")):
        if before[:3] == after[:3]:
            assert int(after[4:]) == int(before[4:]) + 1, f"{after} follows {before}"


def test_every_quoted_word_of_a_requirement_is_one_of_the_protocol() -> None:
    words = {word for kind in SPEC.common["$defs"] for word in SPEC.common["$defs"][kind].get("enum", ())}
    for message in SPEC.messages.values():
        for _, part in _parts(message):
            words |= set(part.get("enum", ())) if isinstance(part.get("enum"), list) else set()
            words |= set(part.get("properties", {}))
    for act in SPEC.acts.values():
        words |= set(act["properties"])
        for _, part in _parts(act):
            words |= set(part["enum"]) if isinstance(part.get("enum"), list) else set()
    words |= {SPEC.everyone, *SPEC.line_kinds}
    words |= {word for field in SPEC.line_fields.values() for word in field.words}
    for requirement in SPEC.requirements.values():
        quoted = set(re.findall(r"(?<!\w)'([a-z-]{2,})'", requirement.says))
        assert quoted <= words, f"{requirement.id}: {quoted - words}"


@pytest.mark.parametrize("figure", [*SPEC.timing.values(), *SPEC.limits.values()], ids=lambda f: f.name)
def test_figures(figure: Any) -> None:
    assert figure.meaning
    assert figure.value is not None or figure.least is not None or figure.most is not None
    assert figure.value is None or (figure.least is None and figure.most is None)
    if figure.least is not None and figure.most is not None:
        assert figure.least < figure.most


def test_topics_and_messages_are_the_same() -> None:
    assert set(SPEC.topics) == set(SPEC.messages)
    for message, rule in SPEC.topics.items():
        assert rule.pattern.split("/")[:4] == [SPEC.root, "{site}", "{node}", message]
        assert set(rule.roles) <= set(SPEC.words("role"))
        assert set(rule.qos) <= {0, 1}
        topic = rule.pattern.format(site="harlow-basin", node="north", place="siding")
        assert str(parse_topic(topic)) == topic


@pytest.mark.parametrize(
    "topic",
    [
        "",
        "/",
        "yw1",
        "yw1/harlow-basin/north",
        "yw1/harlow-basin/north/job-order/",
        "/yw1/harlow-basin/north/job-order",
        "yw1/harlow-basin/north/joborder",
        "yw1/harlow-basin//job-order",
        "yw1/harlow-basin/+/job-order",
        "yw1/harlow-basin/#",
        "yw1/harlow_basin/north/job-order",
        "yw1/harlow-basin-2/north/job-order",
        "yw1/harlow-basin/north/yard-map",
        "yw1/harlow-basin/north/yard-map/a/b",
        "yw1/harlow-basin/all/fault",
        "yw1/harlow-basin/north\n/fault",
        "yw1/harlow-basin/north/fault\n",
        "yw1/harlow-basin/n\u00f6rth/fault",
        "YW1/harlow-basin/north/fault",
    ],
)
def test_what_is_no_topic(topic: str) -> None:
    with pytest.raises(NotATopic, match=r"level|topic"):
        parse_topic(topic)


@pytest.mark.parametrize("table", SPEC.tables.values(), ids=lambda table: table.name)
def test_tables_are_well_formed(table: Table) -> None:
    assert len(set(table.states)) == len(table.states)
    assert table.initial in table.states
    assert set(table.final) <= set(table.states)
    for row in table.transitions:
        assert row.state in table.states
        assert row.next in table.states
        assert set(row.sends) <= SENT, row
    rows = [(row.state, row.event, row.guard) for row in table.transitions]
    assert len(set(rows)) == len(rows), "two rows for one case"


@pytest.mark.parametrize("table", SPEC.tables.values(), ids=lambda table: table.name)
def test_every_state_is_reached_and_only_final_ones_are_dead_ends(table: Table) -> None:
    reached, new = {table.initial}, {table.initial}
    while new:
        new = {row.next for row in table.transitions if row.state in new} - reached
        reached |= new
    assert reached == set(table.states)
    left = {row.state for row in table.transitions if row.next != row.state}
    assert set(table.states) - left <= set(table.final)


@pytest.mark.parametrize("table", SPEC.tables.values(), ids=lambda table: table.name)
def test_a_guarded_event_has_no_unguarded_row_beside_it(table: Table) -> None:
    for state in table.states:
        for event in {row.event for row in table.transitions}:
            found = [row.guard for row in table.rows(state, event)]
            # A newer row, with its guard, stands before the older one that it narrows.
            assert all(found[:-1]), f"{state}, {event}"


@pytest.mark.parametrize("name", ["job", "crane", "berth", "shuttle"])
def test_states_of_tables_are_the_words_of_messages(name: str) -> None:
    words = {
        "job": set(SPEC.words("job_state")) - {"refused"} | {"none"},
        "crane": set(shape_of("crane-status").fields["mode"].words),
        "berth": set(shape_of("train-arrival").fields["state"].words),
        "shuttle": set(shape_of("shuttle-status").fields["state"].words),
    }
    assert set(SPEC.tables[name].states) == words[name]


def test_guards_and_checks_exist() -> None:
    guards = {row.guard for table in SPEC.tables.values() for row in table.transitions if row.guard}
    assert guards == set(MACHINE_GUARDS)
    assert {check.name for check in SPEC.order_checks} - DONE_BY_THE_DESK == set(ORDER_GUARDS)


DONE_BY_THE_DESK = {"unreadable", "raise-mark", "fit"}
"""Rows of the order table that are no test of an order."""


def test_reasons_of_checks_are_words() -> None:
    assert {check.reason for check in SPEC.order_checks} - {""} <= set(SPEC.words("reason"))


def test_a_bound_that_is_not_there_is_refused_and_not_nought() -> None:
    assert SPEC.most_ms("state_silence") == SPEC.timing["state_silence"].most
    with pytest.raises(ValueError, match="order_rate has no upper bound in ms"):  # It counts orders.
        SPEC.most_ms("order_rate")
    without = next(name for name, figure in SPEC.timing.items() if figure.most is None)
    with pytest.raises(ValueError, match=f"{without} has no upper bound"):
        SPEC.most_ms(without)
