"""What a node must answer to its next order, from the tables and requirements alone."""

from __future__ import annotations

from typing import Any

import pytest

from conformance.oracle.expected import SURELY_LATE_MS, Expected, Known
from conformance.oracle.site_limits import impossible
from tests.oracle.script import SITE

MARK = 512
NOW = 1000.0


def node(name: str = "ferry", **more: Any) -> Known:
    """A node just behind a fence: its mark is 512, its uptime 5000 at 1000 ms of the bench's clock."""
    usual: dict[str, Any] = {
        "sure": True,
        "boot": 7,
        "low": MARK,
        "mark": MARK,
        "bench": True,
        "may_move": False,
    }
    return Known(SITE.nodes[name], uptime=5000, uptime_at_ms=NOW, **usual | more)


def answer(known: Known, act: str, **fields: Any) -> Expected:
    """What must be answered to this order now."""
    expected = known.order({"act": act, "boot": 7} | fields, 1, NOW)
    assert expected is not None
    return expected


def said(expected: Expected) -> tuple[str, str, str]:
    """State, reason and requirement; '' for any of them that is left open."""
    return "/".join(expected.states), expected.reason, expected.requirement


RUN = {"deadline": 9000, "to": "quay-s"}


@pytest.mark.parametrize(
    ("known", "act", "fields", "must"),
    [
        ({}, "claim", {"boot": 8, "id": 768}, ("refused", "wrong-boot", "ORD-05")),
        ({}, "claim", {"id": 768}, ("done", "", "CLM-01")),
        ({}, "claim", {"id": MARK}, ("done", "", "CLM-02")),
        ({}, "claim", {"id": 256}, ("refused", "stale", "CLM-02")),
        ({"low": 256}, "claim", {"id": 256}, ("done/refused", "", "ORD-01")),
        ({}, "run", {"id": MARK} | RUN, ("refused", "stale", "ORD-07")),
        ({"low": 256}, "run", {"id": 300} | RUN, ("", "", "ORD-01")),
        ({}, "admit", {"id": 513, "deadline": 9000}, ("refused", "unsupported", "ORD-13")),
        ({"bench": False}, "set-uptime", {"id": 513, "uptime": 1}, ("refused", "not-bench", "BEN-01")),
        ({"bench": False}, "stimulus", {"id": 513, "inputs": []}, ("refused", "not-bench", "BEN-01")),
        ({}, "set-uptime", {"id": 513, "uptime": 1}, ("done", "", "BEN-04")),
        ({}, "stimulus", {"id": 513, "inputs": []}, ("done/refused", "", "ORD-01")),
        ({}, "cancel", {"id": 513, "ref": 300}, ("cancelled/refused", "", "ORD-18")),
        ({"held": True, "holds": 2}, "resume", {"id": 513, "holds": 2}, ("done", "", "HLD-05")),
        ({"held": True, "holds": 2}, "resume", {"id": 513, "holds": 1}, ("refused", "holds-count", "HLD-04")),
        ({"held": True}, "run", {"id": 513} | RUN, ("refused", "", "HLD-03")),
        ({}, "run", {"id": 513, "deadline": 9000, "to": "siding"}, ("refused", "", "SHT-03")),
        ({}, "run", {"id": 513} | RUN | {"deadline": 4999 - SURELY_LATE_MS}, ("refused", "late", "ORD-10")),
        ({}, "run", {"id": 513} | RUN | {"deadline": 5000 - SURELY_LATE_MS}, ("", "", "ORD-01")),
        ({}, "run", {"id": 513} | RUN, ("", "", "ORD-01")),
        ({"job": 300}, "run", {"id": 300} | RUN, ("accepted/running/done/failed/cancelled", "", "ORD-06")),
        ({"job": 300}, "cancel", {"id": 513, "ref": 300}, ("", "", "ORD-01")),
    ],
)  # fmt: skip
def test_what_must_be_answered(
    known: dict[str, Any], act: str, fields: dict[str, Any], must: tuple[str, str, str]
) -> None:
    assert said(answer(node(**known), act, **fields)) == must


def test_a_hold_is_answered_by_state_alone_and_counted() -> None:
    known = node(holds=65535)
    assert known.order({"act": "hold"}, 1, NOW) is None
    assert (known.held, known.holds) == (True, 0)


def test_a_report_answers_by_act_id_and_boot_or_by_its_token() -> None:
    run = answer(node(), "run", id=513, **RUN)
    report = {"act": "run", "id": 513, "order_boot": 7}
    assert run.fits(report)
    assert not any(run.fits(report | wrong) for wrong in ({"act": "claim"}, {"id": 514}, {"order_boot": 8}))
    cancel = answer(node(job=300), "cancel", id=513, ref=300)
    assert all(cancel.fits({"act": "cancel", "id": id_, "order_boot": 7}) for id_ in (300, 513))
    ask = node().order({"act": "ask", "token": 5}, 1, NOW)
    assert ask is not None
    assert ask.states == ("done",)
    assert ask.fits({"act": "ask", "token": 5})
    assert not ask.fits({"act": "ask", "token": 6})


def test_what_a_job_that_may_have_been_taken_leaves_open() -> None:
    """Its own repeats and cancels are answered as far as it has come, and no other report can be told from theirs."""
    known = node()
    assert not answer(known, "run", id=513, **RUN).strict
    assert (known.taken, known.may_move, known.low, known.mark) == ({513}, True, 513, 513)
    again = answer(known, "run", id=513, **RUN)
    assert (again.strict, again.states) == (False, ())
    assert not answer(known, "cancel", id=514, ref=513).strict
    assert (known.low, known.mark) == (513, 514)
    between = answer(known, "run", id=514, **RUN)
    assert (between.strict, between.states, known.taken) == (True, (), {513, 514})


def test_the_mark_goes_up_with_every_order_above_it() -> None:
    known = node()
    answer(known, "claim", id=768)
    assert (known.before, known.low, known.mark) == (MARK, 768, 768)
    answer(known, "claim", id=256)
    answer(known, "run", boot=8, id=1024, **RUN)
    assert (known.before, known.low, known.mark) == (MARK, 768, 768)


def test_before_the_first_fence_only_an_ask_is_certain() -> None:
    known = node(sure=False)
    for act, strict in (("claim", True), ("resume", True), ("run", False), ("cancel", False)):
        expected = answer(known, act, id=900, ref=1, **RUN)
        assert (expected.states, expected.strict) == ((), strict), act
    assert (known.low, known.mark, known.may_move) == (MARK, 900, True)
    answer(known, "claim", id=800)
    assert known.mark == 900


@pytest.mark.parametrize(
    ("known", "moves"),
    [
        ({"held": True, "job_open": True}, True),
        ({"held": True, "taken": {300}}, True),
        ({"held": True}, False),
        ({"job_open": True}, False),
        ({"held": True, "may_move": True}, True),
    ],
)
def test_a_resume_lets_an_open_job_move(known: dict[str, Any], moves: bool) -> None:
    after = node(**known)
    answer(after, "resume", id=513, holds=0)
    assert (after.may_move, after.held) == (moves, False)


def test_a_refused_resume_changes_nothing() -> None:
    after = node(held=True, job_open=True)
    answer(after, "resume", id=513, holds=9)
    assert (after.may_move, after.held) == (False, True)


def test_uptime_is_reckoned_on_from_the_fence_and_from_a_set_uptime() -> None:
    known = node()
    assert known.uptime_at(NOW + 250) == 5250
    answer(known, "set-uptime", id=513, uptime=2**32 - 1000)
    late = known.order(
        {"act": "run", "boot": 7, "id": 514, "deadline": 600} | {"to": "quay-s"}, 2, NOW + 1700
    )
    assert late is not None
    assert late.states == (), "700 is 100 ms past the deadline, across the wrap"
    late = known.order(
        {"act": "run", "boot": 7, "id": 515, "deadline": 600} | {"to": "quay-s"}, 3, NOW + 3200
    )
    assert late is not None
    assert late.reason == "late"


@pytest.mark.parametrize(
    ("name", "body", "requirement"),
    [
        ("ferry", {"act": "run", "to": "quay-n"}, ""),
        ("ferry", {"act": "run", "to": "stack"}, "SHT-03"),
        ("ferry", {"act": "home"}, "ORD-13"),
        ("siding", {"act": "admit"}, ""),
        ("north", {"act": "run", "to": "quay-n"}, "ORD-13"),
        ("north", {"act": "home"}, ""),
        ("north", {"act": "jog", "target": "least"}, ""),
        ("north", {"act": "jog", "target": "most"}, ""),
        ("north", {"act": "jog", "target": "below"}, "CRN-04"),
        ("north", {"act": "jog", "target": "above"}, "CRN-04"),
        ("north", {"act": "jog", "target": "short"}, "CRN-04"),
        ("north", {"act": "transfer", "to": "last", "to_slot": 0}, ""),
        ("north", {"act": "transfer", "to": "last", "to_slot": 1}, "CRN-05"),
        ("north", {"act": "transfer", "to": "nowhere", "to_slot": 0}, "CRN-05"),
        ("north", {"act": "transfer", "from": "nowhere", "from_slot": 0, "to": "last", "to_slot": 0}, "CRN-05"),
        ("north", {"act": "transfer", "from": "last", "from_slot": 0, "to": "nowhere", "to_slot": 0}, "CRN-05"),
    ],
)  # fmt: skip
def test_what_a_node_can_never_do_by_its_site_file(name: str, body: dict[str, Any], requirement: str) -> None:
    crane = SITE.nodes["north"].crane
    assert crane is not None
    targets = {
        "least": [axis.least for axis in crane.axes],
        "most": [axis.most for axis in crane.axes],
        "below": [axis.least - (number == 0) for number, axis in enumerate(crane.axes)],
        "above": [axis.most + (number == 1) for number, axis in enumerate(crane.axes)],
        "short": [axis.least for axis in crane.axes[1:]],
    }
    place, slots = next((name, len(place.slots)) for name, place in crane.places.items())
    shown: dict[str, Any] = {key: place if value == "last" else value for key, value in body.items()}
    if "target" in shown:
        shown["target"] = targets[shown["target"]]
    if "last" in (body.get("to"), body.get("from")):
        shown["to_slot"] += slots - 1
    assert impossible(SITE.nodes[name], shown) == requirement
