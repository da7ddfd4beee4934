"""The linter of tables finds each fault and nothing beside it; formulas, figures and versions, each at its edges."""

from __future__ import annotations

from dataclasses import replace
from importlib import resources
from types import SimpleNamespace
from typing import Any

import pytest

from protocol.caution import KEEP_CLEAR, outcome_of_hold
from protocol.codec.shape import Kind
from protocol.formula import NotAFormula, holds, names
from protocol.position_table import OutsideTable, PositionTable
from protocol.site import Encoding
from protocol.sizes import longest_value
from protocol.specification import Figure, Requirement, Specification, _fields_up_to, specification
from protocol.table_findings import known, table_findings
from protocol.transition_table import Check, NoWay, Table, Transition
from tests.protocol.test_guards import FAULTS, ROWS, with_fault

SPEC = specification()
EVENTS = ("run", "stop", "halt", "reset-fault")
TAKEN = "has a row that is always taken, and something beside it"
SILENT = "is silent: neither a row nor a reason why there is none"
NO_WAY_OUT = "which is not a final state"
PLACES = "{'stop': 'quay-n', 'target': 'quay-s'}"

FOUND: dict[str, list[str]] = {
    "silent": [f"shuttle: 'reset-fault' in '{state}' {SILENT}" for state in ("at-place", "moving")],
    "beside a row": [f"shuttle: 'halt' in 'moving' {TAKEN}"],
    "two rows": [f"shuttle: 'halt' in 'moving' {TAKEN}"] * 2,
    "older in front": [f"shuttle: 'halt' in 'moving' {TAKEN}"],
    "two rows with a guard": [
        "shuttle: 'stop' in 'moving' has two rows with one guard",
        *[f"shuttle: 'stop' in 'moving': stop_is_other and stop_is_other hold together for {PLACES}"] * 3,
    ],
    "behind one that is always taken": [
        "shuttle: 'reset-fault' in 'lost' has a row behind one that is always taken"
    ],
    "open end": [
        "shuttle: 'stop' in 'moving' says nothing of what happens where none of its guards holds",
        "guard stop_is_other stands in guards.toml, and no table asks it",
    ],
    "no open end": ["shuttle: 'stop' in 'moving' is said to be ignored, and a guard always holds"],
    "unreachable": [
        "shuttle: nothing leads to 'sunk'",
        f"shuttle: nothing leads out of 'sunk', {NO_WAY_OUT}",
        *(f"shuttle: '{event}' in 'sunk' {SILENT}" for event in EVENTS),
    ],
    "dead end": [
        f"shuttle: nothing leads out of 'sunk', {NO_WAY_OUT}",
        *[f"shuttle: 'halt' in 'moving' {TAKEN}"] * 2,
        *(f"shuttle: '{event}' in 'sunk' {SILENT}" for event in EVENTS),
    ],
    "out of an end": [
        f"shuttle: '{event}' leads out of the final state 'at-place'" for event in ("run", "halt")
    ],
    "no such event": ["shuttle: 'sail' in 'lost' is ignored, and there is no such state or event"],
    "twice": [f"shuttle: 'reset-fault' in '{state}' is listed twice" for state in ("at-place", "moving")],
    "impossible with a row": [
        f"shuttle: 'halt' in 'lost' {TAKEN}",
        "shuttle: 'halt' in 'lost' is impossible, and has a row",
    ],
    "event without a word": [f"shuttle: event '{event}' is not explained" for event in EVENTS],
    "word of no event": ["shuttle explains 'sail', which is no event of it"],
    "unknown guard": ["guard stop_is_odd is asked, and guards.toml does not say what it is"],
    "true witness": ["guard is_held does not hold for its own facts"],
    "false witness": ["guard is_held holds for the facts for which it should not"],
    "no false witness": ["guard is_held has no facts for which it does not hold"],
    "no requirement": ["guard is_held names HLD-99, which is not a requirement"],
    "id in words": ["is_held names HLD-98, which is not a requirement"],
    "word": [
        "guard is_held speaks of 'node.parked', which guards.toml does not explain",
        "guard is_held does not hold for its own facts",
    ],
    "formula": ["guard is_held: '1 + 1' is nothing that a formula has"],
}
"""All that is found of each fault; of the other faults there is more."""


@pytest.mark.parametrize("fault", FOUND)
def test_each_fault_of_a_table_is_told_and_nothing_beside_it(fault: str) -> None:
    assert list(table_findings(with_fault(FAULTS[fault][0]))) == FOUND[fault]


def test_a_guard_that_holds_beside_another_is_told_with_the_facts() -> None:
    found = list(table_findings(with_fault(FAULTS["overlap"][0])))
    assert len(found) == 8
    assert (
        found.count(f"shuttle: 'stop' in 'moving': stop_is_other and nothing_said hold together for {PLACES}")
        == 2
    )


def test_an_id_in_any_text_is_a_requirement() -> None:
    table = SPEC.tables["shuttle"]
    said = {"tables": {"shuttle": replace(table, event_words={**table.event_words, "run": "See SHT-97."})}}
    assert list(table_findings(with_fault(said))) == ["shuttle names SHT-97, which is not a requirement"]
    why = (NoWay(table.no_ways[0].kind, table.no_ways[0].states, table.no_ways[0].events, "See SHT-96."),)
    bent = {"tables": {"shuttle": replace(table, no_ways=(*why, *table.no_ways[1:]))}}
    assert list(table_findings(with_fault(bent))) == ["shuttle names SHT-96, which is not a requirement"]
    words = {"guard_words": SPEC.guard_words | {"order": "See ORD-95 and XORD-94 and ORD-951."}}
    assert list(table_findings(with_fault(words))) == ["order names ORD-95, which is not a requirement"]
    rule = SPEC.requirements["SHT-01"]
    for field in ("says", "why"):
        one = {
            "requirements": SPEC.requirements
            | {"SHT-01": replace(rule, **dict[str, Any]({field: "See SHT-93."}))}
        }
        assert list(table_findings(with_fault(one))) == ["SHT-01 names SHT-93, which is not a requirement"]


def test_a_newer_row_may_stand_in_front_and_an_equally_new_one_may_not() -> None:
    for since, told in ((1, 0), (0, 1)):
        newer = Transition("moving", "stop", "nothing_said", "lost", (), since)
        changes = {"tables": {"shuttle": replace(SPEC.tables["shuttle"], transitions=(newer, *ROWS))}}
        found = list(table_findings(with_fault(changes)))
        assert sum("always taken" in one for one in found) == 1
        row = Transition("moving", "halt", "stop_is_other", "lost", (), since)
        changes = {"tables": {"shuttle": replace(SPEC.tables["shuttle"], transitions=(row, *ROWS))}}
        assert len(list(table_findings(with_fault(changes)))) == told


def test_facts_are_seen_as_fields_and_what_is_missing_is_none() -> None:
    facts = known({"order": {"id": 5, "deep": {"er": 1}}})
    assert (facts.order.id, facts["order"]["id"], facts.order.deep.er) == (5, 5, 1)
    assert (facts.none, facts["none"], facts.order.none) == (None, None, None)


# ---------------------------------------------------------------- formulas
FACTS: dict[str, Any] = {"a": 1, "b": 2, "t": True, "f": False, "order": {"id": 5, "act": "ask"}, "list": [1, 2],
                         "job": SimpleNamespace(id=7), "top": 2**32 - 1}  # fmt: skip
FORMULAS = [
    ("a", True), ("f", False), ("none", False), ("5", True), ("''", False), ("not f", True), ("not a", False),
    ("a == 1", True), ("a == b", False), ("none == none", True), ("a != 1", False), ("a != none", True),
    ("a < b", True), ("b < b", False), ("b < a", False), ("a <= b", True), ("b <= b", True), ("b <= a", False),
    ("b > a", True), ("b > b", False), ("a > b", False), ("b >= a", True), ("b >= b", True), ("a >= b", False),
    ("none < a", False), ("a < none", False), ("none <= none", False), ("none > a", False), ("a >= none", False),
    ("a in [1, 3]", True), ("b in [1, 3]", False), ("a in list", True), ("a in none", False), ("a in order", False),
    ("order.act in ['ask', 'hold']", True), ("order.id == 5", True), ("job.id == 7", True), ("job.none == 7", False),
    ("none.id == 5", False), ("order.none == none", True), ("a.id == none", True),
    ("t and a", True), ("t and f", False), ("f or a", True), ("f or none", False), ("f and t or a", True),
    ("has(a)", True), ("has(none)", False), ("has(f)", True), ("has(order.id)", True), ("has(order.none)", False),
    ("after(b, a)", True), ("after(a, b)", False), ("after(a, a)", False), ("after(a, top)", True),
    ("after(top, a)", False),
]  # fmt: skip


@pytest.mark.parametrize(("formula", "so"), FORMULAS)
def test_a_formula_says_what_it_says(formula: str, so: bool) -> None:
    """`after` is a signed difference of 32 bits [ORD-11]; what is not there is neither more nor less."""
    assert holds(formula, FACTS) is so


def test_a_formula_has_no_more_than_that() -> None:
    for formula, told in (
        ("a + 1", "'a + 1' is nothing that a formula has"),
        ("-a", "'-a' is nothing that a formula has"),
        ("has(a, b)", "'has(a, b)' is nothing that a formula has"),
        ("after(a)", "'after(a)' is nothing that a formula has"),
        ("a is b", "Is is not a comparison of a formula"),
        ("a not in list", "NotIn is not a comparison of a formula"),
        ("1 < a < 3", "'1 < a < 3' is nothing that a formula has"),
    ):
        with pytest.raises(NotAFormula) as refused:
            holds(formula, FACTS)
        assert str(refused.value) == told
    with pytest.raises(NotAFormula, match=r"^'\(a': "):
        holds("(a", FACTS)
    assert names("has(order.id) and after(a, b.c) or not d == 'x'") == {"order.id", "a", "b.c", "d"}


# ---------------------------------------------------------------- figures
@pytest.mark.parametrize(
    ("figure", "text"),
    [
        (Figure("n", "ms", "m", least=1, most=2), "1 to 2 ms"),
        (Figure("n", "ms", "m", most=2), "2 ms"),
        (Figure("n", "ms", "m", least=1), "1 ms"),
        (Figure("n", "ms", "m", least=0, most=0), "0 to 0 ms"),
        (Figure("n", "ms", "m", most=0), "0 ms"),
        (Figure("n", "keep-alives", "m", value=1.5), "1.5 keep-alives"),
        (Figure("n", "ms", "m", least=1, most=2, value=0), "0 ms"),
    ],
)
def test_a_figure_in_words(figure: Figure, text: str) -> None:
    assert (str(figure), figure.since) == (text, 0)


def test_a_bound_that_there_is_not_is_the_callers_mistake() -> None:
    assert (SPEC.most("packet"), SPEC.most("depth"), SPEC.most_ms("answer")) == (128, 4, 200)
    units = {name: figure.unit for name, figure in SPEC.limits.items()}
    assert {name for name, unit in units.items() if unit == "bytes"} == set(units) - {
        "depth",
        "client_id",
        "user_name",
    }
    assert (units["depth"], units["client_id"], units["user_name"]) == ("levels", "characters", "characters")
    for name in ("silence", "keep_alive", "order_rate"):
        with pytest.raises(ValueError, match=f"^timing {name} has no upper bound in ms$"):
            SPEC.most_ms(name)
    spec = Specification(resources.files("protocol").joinpath("v1"))
    spec.limits["packet"] = replace(spec.limits["packet"], most=None)
    with pytest.raises(ValueError, match=r"^limit packet has no upper bound$"):
        spec.most("packet")


def test_what_the_specification_says_of_acts_and_states() -> None:
    assert (SPEC.major, SPEC.dotted(), SPEC.dotted(0), SPEC.dotted(7)) == (1, f"1.{SPEC.minor}", "1.0", "1.7")
    assert (SPEC.root, SPEC.everyone, SPEC.size_exceptions) == ("yw1", "all", frozenset({"yard-map"}))
    assert SPEC.jobs == {"transfer", "home", "park", "jog", "admit", "depart", "run"}
    assert (SPEC.fault_level("power-lost"), SPEC.fault_level("bad-message")) == ("halt", "warn")
    assert SPEC.states_of(["crane"]) == ("node-status", "crane-status", "fault")
    assert SPEC.states_of(["berth", "shuttle"]) == ("node-status", "train-arrival", "shuttle-status", "fault")
    assert SPEC.acts_of("berth") - SPEC.acts_of("crane") == {"admit", "depart"}
    rule = SPEC.topics["yard-map"]
    assert (rule.message, rule.sender, rule.retain, rule.qos) == ("yard-map", "node", True, (0, 1))
    one = Requirement("ABC-01", "MUST", "node", "tap", "A.", "B.", "")
    assert (one.chapter, one.since, one.figures) == ("ABC", 0, ())
    said = SPEC.requirements["ORD-01"]
    assert "answer" in said.figures
    assert "200 ms" in said.says
    assert all("{" not in rule.says + rule.why for rule in SPEC.requirements.values())
    assert Check("a", "b", "c").since == Transition("a", "b", "", "c", ()).since == 0


def test_an_older_version_has_no_state_that_only_newer_rows_know() -> None:
    spec = Specification(resources.files("protocol").joinpath("v1"))
    rows = (
        Transition("a", "go", "", "b", ()), Transition("b", "go", "", "new", (), since=5),
        Transition("new", "go", "", "a", (), since=5), Transition("a", "jump", "", "b", (), since=5),
        Transition("later", "go", "", "a", (), since=6),
    )  # fmt: skip
    table = Table("shuttle", "T", ("a", "b", "new", "later", "alone"), "a", (), rows)
    spec.__dict__.update(
        minor=6, tables=spec.tables | {"shuttle": table},
        timing=spec.timing | {"fresh": Figure("fresh", "ms", "m", most=1, since=5)},
        limits=spec.limits | {"wide": Figure("wide", "bytes", "m", most=1, since=5)},
    )  # fmt: skip
    for minor, states, number in ((4, ("a", "b", "alone"), 1), (5, ("a", "b", "new", "alone"), 4)):
        old = spec.at(minor)
        assert (old.tables["shuttle"].states, len(old.tables["shuttle"].transitions)) == (states, number)
        assert ("fresh" in old.timing, "wide" in old.limits) == (minor == 5, minor == 5)
        assert (old.major, old.minor, old.topics) == (spec.major, minor, spec.topics)
        assert spec.at(minor) is old
    assert spec.at(None) is spec.at(6) is spec.at(7) is spec


def test_an_older_schema_has_neither_newer_fields_nor_newer_words() -> None:
    schema = {"properties": {"a": {"since": 2}, "b": {"since": 1}, "c": {}},
              "word": {"enum": ["x", "y", "z"], "since": {"y": 2, "z": 1}}, "since": 5}  # fmt: skip
    old = _fields_up_to(1, schema)
    assert (list(old["properties"]), old["word"]["enum"]) == (["b", "c"], ["x", "z"])
    assert _fields_up_to(2, schema) == schema


# ---------------------------------------------------------------- lengths, tables, cautions
@pytest.mark.parametrize(
    ("schema", "json", "cbor"),
    [
        ({"type": "integer", "minimum": -1000, "maximum": 99}, -1000, -1000),
        ({"type": "integer", "minimum": -1, "maximum": 9999}, 9999, 9999),
        ({"type": "integer", "minimum": -300, "maximum": 65_536}, 65_536, 65_536),
        ({"type": "integer", "minimum": -9, "maximum": 24}, -9, 24),
        ({"type": "boolean"}, False, False),
    ],
)
def test_the_longest_value_is_of_the_longest_encoding(schema: dict[str, Any], json: Any, cbor: Any) -> None:
    """RFC 8259 and RFC 8949: 'false' has five letters; 24 is the first integer of two bytes."""
    kind = Kind(schema=schema)
    assert (longest_value(kind, Encoding.JSON), longest_value(kind, Encoding.CBOR)) == (json, cbor)


def test_what_has_no_bound_has_no_longest_value() -> None:
    with pytest.raises(ValueError, match="no longest value of"):
        longest_value(Kind(schema={"type": "object"}), Encoding.JSON)
    printable = Kind(schema={"type": "string", "maxLength": 3, "not": {"pattern": "[^ -~]"}})
    letters = Kind(schema={"type": "string", "maxLength": 3, "not": {"pattern": "[^A-Za-z]"}})
    assert longest_value(printable, Encoding.JSON) in ('"' * 3, "\\" * 3)
    assert len(longest_value(letters, Encoding.CBOR)) == 3
    words = Kind(words=("a", "longest", "bb"))
    assert longest_value(words, Encoding.JSON) == "longest"
    some = Kind(rest=words, schema={"type": "array", "maxItems": 2, "uniqueItems": True})
    assert longest_value(some, Encoding.JSON) == ["bb", "longest"]
    both = Kind(
        first=(words,), rest=Kind(schema={"type": "boolean"}), schema={"type": "array", "maxItems": 3}
    )
    assert longest_value(both, Encoding.JSON) == ["longest", False, False]


def test_a_position_table_has_16_bits_and_at_least_two_points() -> None:
    ends = PositionTable.of([[-32_768, 32_767], [32_767, -32_768]])
    assert (ends.low, ends.high) == (-32_768, 32_767)
    assert [ends.position(reading) for reading in (-32_768, 32_767)] == [32_767, -32_768]
    for point in ((-32_769, 0), (32_768, 0), (0, 32_768), (0, -32_769)):
        with pytest.raises(
            ValueError, match=rf"^point \({point[0]}, {point[1]}\) of the position table does not fit"
        ):
            PositionTable((point, (32_000, 1)) if point[0] < 1 else ((-5, 1), point))
    for count in (0, 1):
        with pytest.raises(ValueError, match=f"two points or more, not {count}$"):
            PositionTable(((1, 2),) * count)
    for pair in ([1], [1, 2, 3], []):
        with pytest.raises(ValueError, match="is a pair: rest reading, axis position"):
            PositionTable.of([[0, 0], pair])
    with pytest.raises(ValueError, match=r"must increase, but 5 follows 5$"):
        PositionTable(((1, 2), (5, 2), (5, 3)))
    with pytest.raises(
        OutsideTable, match=r"^rest reading 4 is outside the measured table, which goes from 1 to 3; "
    ):
        PositionTable(((1, 2), (3, 2))).position(4)


@pytest.mark.parametrize(
    ("points", "reading", "position"),
    [
        (((0, 0), (3, 1)), 1, 0), (((0, 0), (3, 1)), 2, 1), (((0, 0), (4, 2)), 1, 1), (((0, 0), (4, -2)), 1, -1),
        (((0, 0), (4, -2)), 3, -2), (((0, 10), (10, 0)), 3, 7), (((0, 10), (10, 0), (20, 100)), 15, 50),
        (((0, 10), (10, 0), (20, 100)), 10, 0), (((-10, -5), (10, 5)), 0, 0), (((5, 100), (8, 200)), 6, 133),
    ],
)  # fmt: skip
def test_between_two_points_the_way_is_straight(
    points: tuple[tuple[int, int], ...], reading: int, position: int
) -> None:
    """Rounded once, halves away from zero."""
    assert PositionTable(points).position(reading) == position


def test_a_caution_says_that_a_message_is_no_emergency_stop() -> None:
    assert "never an emergency stop" in " ".join(KEEP_CLEAR.split())
    assert outcome_of_hold("north", None) == "north could not be told to hold, and may still move."
    assert outcome_of_hold("north", False, in_a_job=True) == (
        "north was told to hold, and has not said that it does: it may still move."
    )
    assert outcome_of_hold("north", True) == "north is held."
    assert outcome_of_hold("north", True, in_a_job=True) == (
        "north is held in the middle of its job; it goes on when it is resumed."
    )
