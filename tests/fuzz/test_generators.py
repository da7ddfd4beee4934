"""What is drawn: valid, nearly valid and hostile orders, from the schemas and tables alone."""

from __future__ import annotations

import json
from collections.abc import Iterator
from random import Random

import pytest
from hypothesis import given

from conformance.fuzz.generate.case_order import KINDS, CaseOrder
from conformance.fuzz.generate.events import BY_HAND, STATES, Events
from conformance.fuzz.generate.hostile import HOSTILE_CBOR, HOSTILE_JSON, all_hostile
from conformance.fuzz.generate.motion import harmless, moving_acts
from conformance.fuzz.generate.mutations import unlike_schema
from conformance.fuzz.generate.payloads import Payloads
from conformance.fuzz.generate.sequences import Sequences
from conformance.fuzz.generate.step_check import require_playable
from conformance.fuzz.generate.steps import from_text, order, to_text, wait
from conformance.fuzz.generate.strategies import bodies, drawn, flaws
from conformance.fuzz.link import FAULTS, LINE_FAULTS
from conformance.fuzz.run.shrink import shrunk
from conformance.oracle.finding import Finding, Oracle
from conformance.oracle.link_log import Log
from conformance.oracle.node_judge import NodeJudge
from protocol.codec import encode
from protocol.codec.shape import shape_of
from protocol.site import Encoding
from protocol.site_file import scenario
from protocol.specification import Specification, specification
from protocol.validation import read_message

SITE = scenario()
EVERY_FAULT = (*FAULTS, *LINE_FAULTS)


def events(node: str) -> Events:
    return Events(Random(1), SITE.nodes[node], NodeJudge(Log(), SITE, node))


# ---------------------------------------------------------------- payloads
@pytest.mark.parametrize("act", specification().acts)
def test_bodies_are_valid_orders(act: str) -> None:
    for body in drawn(bodies("job-order", act), 60, "valid"):
        for encoding in Encoding:
            reading = read_message("job-order", encode("job-order", body, encoding), closed=True)
            assert reading.findings == (), body


@pytest.mark.parametrize("act", specification().acts)
def test_a_flaw_makes_an_order_invalid(act: str) -> None:
    for body, (what, broken) in zip(
        drawn(bodies("job-order", act), 60, "b"), drawn(flaws("job-order", act), 60, "f"), strict=False
    ):
        spoilt = {name: value for name, value in (body | broken).items() if value is not None}
        reading = read_message("job-order", unlike_schema("job-order", spoilt, Encoding.JSON), closed=True)
        assert reading.findings, what


def test_edges_are_drawn() -> None:
    uptimes = {body["uptime"] for body in drawn(bodies("job-order", "set-uptime"), 200, "edges")}
    assert {0, 2**32 - 1, 65536} <= uptimes


def test_the_same_seed_draws_the_same() -> None:
    rounds = [[list(Payloads(seed, "both", motion=True).cases(2)) for seed in (1, 1, 2)]]
    assert rounds[0][0] == rounds[0][1] != rounds[0][2]


@pytest.mark.parametrize("node", ["siding", "ferry", "north"])
def test_whatever_is_drawn_can_be_read_again(node: str) -> None:
    """What a corpus keeps is checked when it is read."""
    made = CaseOrder(
        3, SITE.nodes[node], NodeJudge(Log(), SITE, node), motion=True, kinds=KINDS, faults=EVERY_FAULT
    )
    count = 0
    while made.round < 2:
        for case in made.batch(100):
            count += 1
            if case:
                again = from_text(to_text(case))
                require_playable(again)
    assert count > 200


@pytest.mark.slow
def test_a_new_message_and_a_new_act_are_fuzzed_the_day_they_are_added(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Nothing but a schema is added."""
    spec = specification()
    act = json.loads(json.dumps(spec.acts["claim"])) | {"title": "polish"}
    act["properties"]["act"] = {"const": "polish", "cborKey": 2}
    act["properties"]["gloss"] = {"type": "integer", "minimum": 3, "maximum": 90, "cborKey": 22}
    act["required"] = [*act["required"], "gloss"]
    tally = {
        "type": "object",
        "required": ["boot", "boxes"],
        "properties": {
            "boot": {"$ref": "urn:yardwire:v1:common#/$defs/boot", "cborKey": 0},
            "boxes": {"type": "integer", "minimum": 0, "maximum": 400, "cborKey": 23},
        },
    }
    monkeypatch.setitem(spec.acts, "polish", act)
    monkeypatch.setitem(spec.messages, "tally", tally)
    original = Specification.words
    monkeypatch.setattr(
        Specification,
        "words",
        lambda self, kind: (*original(self, kind), "polish") if kind == "act" else original(self, kind),
    )
    payloads = Payloads(1, "both", motion=True)
    steps = [case[0] for round_ in range(40) for case in payloads.cases(round_)]
    glosses = [
        step.fields["gloss"]
        for step in steps
        if step.fields.get("act") == "polish" and "gloss" in step.fields
    ]
    assert {3, 90} <= set(glosses)
    assert any("gloss" in (step.fields.get("broken") or {}) for step in steps)
    boxes = [step.fields["body"]["boxes"] for step in steps if step.fields.get("message") == "tally"]
    assert {0, 400} & set(boxes)
    shape_of.cache_clear()


@pytest.mark.parametrize("one", all_hostile(), ids=lambda one: one.name)
def test_hostile_payloads_are_no_conformant_orders(one: object) -> None:
    payload = one.payload  # type: ignore[attr-defined]
    assert read_message("job-order", payload, closed=True).findings or len(payload) > 512


def test_every_hostile_payload_names_its_source() -> None:
    assert all("RFC 8259" in one.source for one in HOSTILE_JSON)
    assert all("RFC 8949" in one.source or "against" in one.source for one in HOSTILE_CBOR)
    assert len({one.name for one in all_hostile()}) == len(all_hostile())


# ---------------------------------------------------------------- no motion
@given(bodies("job-order"))
def test_no_moving_order_passes_for_harmless(body: dict[str, object]) -> None:
    for encoding in Encoding:
        payload = encode("job-order", body, encoding)
        assert harmless(payload) == (body["act"] not in moving_acts())
        assert not harmless(payload[:-1]) or body["act"] not in moving_acts() or len(payload) < 9


# ---------------------------------------------------------------- sequences
@pytest.mark.parametrize("name", [*STATES, "job"])
def test_every_event_of_a_table_can_be_brought_about(name: str) -> None:
    named = {row.event for row in specification().tables[name].transitions}
    assert named - BY_HAND <= set(events("north").brings)


def test_every_check_of_an_order_can_be_met() -> None:
    assert set(events("north").meets) == {check.name for check in specification().order_checks}


@pytest.mark.parametrize("node", ["siding", "ferry", "north", "south"])
def test_every_event_and_check_has_steps_for_every_node(node: str) -> None:
    made = events(node)
    for name in made.brings:
        assert made.event(name), name
    for name, meet in made.meets.items():
        assert meet(), name


def test_sequences_without_motion_order_none() -> None:
    plots = Sequences(Random(1), SITE.nodes["ferry"], NodeJudge(Log(), SITE, "ferry"), motion=False)
    drawn_steps: Iterator[object] = (step.fields.get("act") for _ in range(200) for step in plots.draw())
    assert not set(drawn_steps) & moving_acts()


# ---------------------------------------------------------------- steps and shrinking
def test_steps_survive_as_text() -> None:
    steps = (order("hold", topic="all"), wait(30))
    assert from_text(to_text(steps)) == steps
    with pytest.raises(ValueError, match="no steps"):
        from_text('[{"kind": "order"}]')


@pytest.mark.parametrize("culprits", [{17}, {3, 40}, {0, 31, 63}])
def test_shrinking_leaves_the_culprits(culprits: set[int]) -> None:
    left, _ = shrunk(list(range(64)), lambda part: culprits <= set(part), tries=300)
    assert set(left) == culprits


def test_findings_that_differ_in_numbers_are_one_group() -> None:
    one, other = (Finding("MSG-02", f"no fault for {ms} ms", Oracle.HEARTBEAT) for ms in (2600, 9100))
    assert one.key == other.key
