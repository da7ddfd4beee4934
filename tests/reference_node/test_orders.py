"""Orders, claims and holds: what a node answers, what it leaves alone, and in which order it looks."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from protocol.codec import encode
from protocol.guards import ORDER_GUARDS
from protocol.participant import Delivery
from protocol.specification import specification
from reference_node.controller.order_desk import OrderDesk
from tests.examples import examples
from tests.legal_nodes.first_minor import FirstMinor
from tests.reference_node.yard import BOOT, NEVER, Yard, answers, encoding_for, homed_crane

JOG: dict[str, Any] = {"act": "jog", "boot": BOOT, "deadline": NEVER, "target": [100, 0, 0]}


def mark(yard: Yard, node: str = "north") -> int:
    return yard.nodes[node].mark


def test_every_check_of_the_table_has_its_guard_and_its_deed() -> None:
    needs_none = {"unreadable", "raise-mark", "fit"}
    checks = specification().order_checks
    assert {check.name for check in checks} - needs_none == set(ORDER_GUARDS)
    desk = OrderDesk(Yard("north").nodes["north"])
    assert {check.does for check in desk.checks()} <= set(desk._does)


def test_ask_is_answered_with_all_state_and_then_the_token() -> None:
    """ORD-03, ORD-04."""
    yard = Yard("north")
    said = yard.send("north", {"act": "ask", "token": 4294967295})
    assert [one.message for one in said] == ["node-status", "crane-status", "fault", "job-report"]
    assert said[-1].body["token"] == 4294967295
    assert mark(yard) == 0


def test_another_boot_is_refused_and_leaves_the_mark_alone() -> None:
    """ORD-05, CLM-04."""
    yard = homed_crane()
    before = mark(yard)
    said = yard.send("north", {**JOG, "boot": BOOT + 1, "id": 900})
    assert answers(said) == [("jog", 900, "refused", "wrong-boot")]
    assert said[0].body["order_boot"] == BOOT + 1
    assert mark(yard) == before


def test_a_repeat_is_answered_and_not_done_again() -> None:
    """ORD-06, ORD-09: also after a refused order, and whatever else it carries."""
    yard = homed_crane()
    yard.job("north", "jog", target=[100, 0, 0])
    job = yard.ids["north"]
    assert answers(yard.order("north", "jog", target=[9999, 0, 0]))[0][3] == "reach"
    starts = yard.starts("north")
    again = yard.send("north", {**JOG, "id": job, "target": [400, 200, 100], "deadline": 0})
    assert answers(again) == [("jog", job, "done", None)]
    yard.run(3_000)
    assert yard.starts("north") == starts
    assert answers(yard.send("north", {**JOG, "id": job + 1})) == [("jog", job + 1, "refused", "stale")]


def test_every_refusal_behind_the_mark_raises_it() -> None:
    """ORD-08: else an order refused for its deadline could be obeyed when it comes a second time."""
    yard = homed_crane()
    late = {**JOG, "id": 50, "deadline": yard.nodes["north"].uptime - 1}
    assert answers(yard.send("north", late))[0][3] == "late"
    assert mark(yard) == 50
    assert answers(yard.send("north", {**late, "deadline": NEVER}))[0][3] == "stale"


def test_the_checks_come_in_the_order_of_the_table() -> None:
    """An order that is wrong in every way is refused for the first one."""
    yard = homed_crane()
    node = yard.nodes["north"]
    yard.order("north", "park")
    yard.order("north", "hold")
    wrong = {**JOG, "id": 50, "deadline": node.uptime - 1, "target": [9999]}
    reasons = []
    fix: list[tuple[str, Callable[[], object]]] = [
        ("late", lambda: wrong.update(deadline=NEVER)),
        ("busy", lambda: yard.order("north", "cancel", ref=node.job.id if node.job else 0)),
        ("held", lambda: yard.order("north", "resume", holds=1)),
        ("reach", lambda: wrong.update(target=[100, 0, 0])),
    ]
    for _reason, repair in fix:
        wrong["id"] += 10
        yard.ids["north"] = wrong["id"]
        reasons.append(answers(yard.send("north", wrong))[0][3])
        repair()
        yard.run(2_000)
    assert reasons == [reason for reason, _ in fix]
    assert answers(yard.send("north", {**wrong, "id": wrong["id"] + 9}))[0][2] == "accepted"


@pytest.mark.parametrize("ahead_ms", [0, 1, 30_000, 2**31 - 1])
def test_a_deadline_is_compared_across_the_wrap(ahead_ms: int) -> None:
    """ORD-10, ORD-11."""
    yard = homed_crane(bench=False)
    node = yard.nodes["north"]
    node._uptime.set(2**32 - 5, node._now_ms)
    fit = {**JOG, "id": 100, "deadline": (node.uptime + ahead_ms) % 2**32}
    late = {**JOG, "id": 99, "deadline": (node.uptime - max(ahead_ms, 1)) % 2**32}
    assert answers(yard.send("north", late))[0][3] == "late"
    assert answers(yard.send("north", fit))[0][2] == "accepted"


def test_a_node_has_one_job() -> None:
    """ORD-12, ORD-13."""
    yard = homed_crane()
    yard.order("north", "jog", target=[300, 0, 0])
    assert answers(yard.order("north", "park"))[0][3] == "busy"
    assert answers(yard.order("north", "admit"))[0][3] == "unsupported"


def test_job_states_and_steps_are_reported_as_they_come() -> None:
    """ORD-15, ORD-16."""
    yard = homed_crane()
    yard.job("north", "jog", target=[100, 50, 20])
    states = [r["state"] for r in yard.reports("north") if r["act"] == "jog"]
    assert states == ["accepted", "running", "done"]


def test_a_cancel_of_the_unseen_keeps_it_out() -> None:
    """ORD-18."""
    yard = homed_crane()
    cancel = {"act": "cancel", "boot": BOOT, "id": 60, "ref": 59}
    assert answers(yard.send("north", cancel)) == [("cancel", 59, "cancelled", None)]
    assert mark(yard) == 60
    assert answers(yard.send("north", {**JOG, "id": 59})) == [("jog", 59, "refused", "stale")]


def test_a_cancel_of_the_forgotten_claims_nothing() -> None:
    """ORD-07: the order may have been done long ago; 'cancelled' would be a lie."""
    yard = homed_crane()
    yard.job("north", "jog", target=[100, 0, 0])
    done = yard.ids["north"]
    yard.job("north", "park")
    assert answers(yard.order("north", "cancel", ref=done)) == [("cancel", done, "refused", "stale")]


def test_a_cancel_and_its_repeats_say_the_same_whatever_their_id() -> None:
    """ORD-17."""
    yard = homed_crane()
    yard.order("north", "jog", target=[500, 0, 0])
    job = yard.ids["north"]
    yard.run(500)
    first = answers(yard.order("north", "cancel", ref=job))
    assert first[0] == ("cancel", job, "cancelled", None)
    assert ("jog", job, "cancelled", None) in first
    yard.run(3_000)
    old = {"act": "cancel", "boot": BOOT, "id": 1, "ref": job}
    assert answers(yard.send("north", old))[0] == ("cancel", job, "cancelled", None)


def test_claims_raise_the_mark_and_end_no_job() -> None:
    """CLM-01 to CLM-03."""
    yard = homed_crane()
    yard.order("north", "jog", target=[300, 0, 0])
    claim = {"act": "claim", "boot": BOOT, "id": 1 << 20}
    assert answers(yard.send("north", claim)) == [("claim", 1 << 20, "done", None)]
    assert answers(yard.send("north", claim)) == [("claim", 1 << 20, "done", None)]
    lost = yard.send("north", {**claim, "id": (1 << 20) - 256})
    assert answers(lost) == [("claim", (1 << 20) - 256, "refused", "stale")]
    assert lost[0].body["mark"] == 1 << 20
    job = yard.nodes["north"].job
    assert job is not None
    assert yard.until(lambda: not job.is_open)
    assert job.state == "done"


def test_hold_comes_from_anybody_and_is_answered_by_state() -> None:
    """HLD-01, HLD-02."""
    yard = homed_crane()
    before = mark(yard)
    for number, to_all in enumerate((False, True), start=1):
        said = yard.send("north", {"act": "hold"}, to_all=to_all)
        assert "job-report" not in [one.message for one in said]
        status = yard.state("north", "crane-status")
        assert (status["held"], status["holds"], status["mark"]) == (True, number, before)
    assert answers(yard.order("north", "park"))[0][3] == "held"
    assert answers(yard.order("north", "resume", holds=1))[0][3] == "holds-count"
    assert answers(yard.order("north", "resume", holds=2))[0][2] == "done"
    assert not yard.state("north", "crane-status")["held"]


def test_nothing_but_hold_goes_to_all() -> None:
    yard = homed_crane()
    yard.run(2_000)
    said = yard.send("north", {"act": "ask", "token": 1}, to_all=True)
    assert answers(said) == []
    assert "bad-message" in yard.state("north", "fault")["active"]


ACTS = st.sampled_from(["claim", "cancel", "jog", "park", "home", "resume", "reset-fault", "hold", "ask"])


@examples(60)
@given(
    st.lists(
        st.tuples(
            ACTS,
            st.integers(1, 12),
            st.integers(1, 12),
            st.sampled_from([BOOT, BOOT, BOOT, 5]),
            st.integers(0, 3000),
        ),
        max_size=20,
    )
)
def test_any_sequence_of_orders_keeps_the_rules(script: list[tuple[str, int, int, int, int]]) -> None:
    """ORD-01, ORD-08, ORD-15, CRN-02: an answer to each, a mark that never falls, states by the tables."""
    yard = Yard("north")
    spec = specification()
    fields: dict[str, dict[str, Any]] = {
        "jog": {"target": [100, 50, 0], "deadline": NEVER},
        "park": {"deadline": NEVER},
        "home": {"deadline": NEVER},
        "resume": {"holds": 1},
        "reset-fault": {"faults": 0},
    }
    highest = 0
    for act, id_, ref, boot, wait_ms in script:
        body = (
            {"act": act, "boot": boot, "id": id_}
            | fields.get(act, {})
            | ({"ref": ref} if act == "cancel" else {})
        )
        if act in ("ask", "hold"):
            body = {"act": act} | ({"token": ref} if act == "ask" else {})
        said = answers(yard.send("north", body))
        assert (said == []) == (act == "hold")
        assert mark(yard) >= highest
        highest = mark(yard)
        yard.run(wait_ms)
    jobs: dict[int, str] = {}
    mode = "unhomed"
    for one in yard.said:
        if one.message == "crane-status":
            assert spec.tables["crane"].allows(mode, one.body["mode"])
            mode = one.body["mode"]
        if one.message == "job-report" and one.body["act"] in spec.jobs and one.body["state"] != "refused":
            before = jobs.get(one.body["id"], "none")
            assert spec.tables["job"].allows(before, one.body["state"])
            jobs[one.body["id"]] = one.body["state"]


@pytest.mark.parametrize("act", ["hold", "cancel"])
def test_a_hold_or_a_cancel_that_comes_with_its_order_finds_it_where_nothing_has_moved(act: str) -> None:
    """HLD-03, ORD-17: two packets that come together are handled before any motor is switched on."""
    yard = homed_crane()
    node, before = yard.nodes["north"], yard.starts("north")
    park = {"act": "park", "boot": BOOT, "id": 9, "deadline": NEVER}
    second = {"act": "hold"} if act == "hold" else {"act": "cancel", "boot": BOOT, "id": 10, "ref": 9}
    for body in (park, second):
        payload = encode("job-order", body, encoding_for(node.node))
        node.receive(
            Delivery(f"yw1/{yard.site.name}/north/job-order", payload, qos=1, retain=False), yard.now_ms
        )
    yard.run(5_000)
    assert yard.starts("north") == before
    assert node.job is not None
    assert node.job.state == ("accepted" if act == "hold" else "cancelled")


# ---------------------------------------------------------------- traces that broke a rule


def test_a_job_that_is_held_before_its_start_and_resumed_after_its_deadline_moves_nothing() -> None:
    """ORD-23: order and hold in one breath, resume 70 s later. It started its motors then."""
    yard = homed_crane()
    node, starts = yard.nodes["north"], yard.starts("north")
    job = {**JOG, "id": 900, "deadline": (node.uptime + 10_000) % 2**32}
    said = yard.at_once("north", job, {"act": "hold"})
    assert answers(said) == [("jog", 900, "accepted", None)]
    yard.run(9_000)
    assert node.job is not None
    assert node.job.state == "accepted"
    yard.run(61_000)
    assert (node.job.state, node.job.reason) == ("failed", "late")
    yard.send("north", {"act": "resume", "boot": BOOT, "id": 901, "holds": node.holds})
    yard.run(5_000)
    assert yard.starts("north") == starts
    assert [one.body["state"] for one in yard.said if one.body.get("id") == 900] == ["accepted", "failed"]


def test_a_job_ends_when_its_deadline_passes_held_or_not() -> None:
    """ORD-23: looked at only when it is resumed, a deadline 25 days ago would lie ahead, as a signed difference."""
    yard = homed_crane()
    node = yard.nodes["north"]
    job = {**JOG, "id": 900, "deadline": (node.uptime + 10_000) % 2**32}
    yard.at_once("north", job, {"act": "hold"})
    yard.run(10_002)
    assert node.job is not None
    assert (node.job.state, node.job.reason) == ("failed", "late")


def test_a_job_whose_deadline_passes_while_it_runs_goes_on() -> None:
    """ORD-23: a deadline limits the start, and what has picked a box must put it down."""
    yard = homed_crane()
    node = yard.nodes["north"]
    yard.send("north", {**JOG, "id": 900, "target": [400, 0, 0], "deadline": (node.uptime + 100) % 2**32})
    yard.run(50)
    yard.order("north", "hold")
    yard.run(5_000)
    yard.send("north", {"act": "resume", "boot": BOOT, "id": 901, "holds": node.holds})
    yard.run(5_000)
    assert node.job is not None
    assert node.job.state == "done"


@pytest.mark.parametrize("ahead", [0, 1, 70_000])
def test_a_cancel_of_a_later_order_is_refused_for_its_mark_does_not_keep_that_out(ahead: int) -> None:
    """ORD-21: it was answered 'cancelled', and then the order came and was obeyed."""
    yard = homed_crane()
    cancel = {"act": "cancel", "boot": BOOT, "id": 900, "ref": 900 + ahead}
    assert answers(yard.send("north", cancel)) == [("cancel", 900 + ahead, "refused", "stale")]
    assert mark(yard) == 900
    said = answers(yard.send("north", {**JOG, "id": 900 + ahead}))
    assert said[0][2] == ("accepted" if ahead else "refused")


def test_a_cancel_with_the_id_of_the_job_that_it_names_is_a_repeat_of_that_job() -> None:
    """ORD-22: ORD-06 goes before ORD-17."""
    yard = homed_crane()
    yard.send("north", {**JOG, "id": 900, "target": [400, 0, 0]})
    yard.run(100)
    said = yard.send("north", {"act": "cancel", "boot": BOOT, "id": 900, "ref": 900})
    assert answers(said) == [("cancel", 900, "running", None)]
    yard.run(5_000)
    assert yard.nodes["north"].job_machine.state == "done"


def test_a_node_of_the_first_minor_version_answers_as_that_said() -> None:
    yard = Yard("north", controller=FirstMinor)
    cancel = {"act": "cancel", "boot": BOOT, "id": 900, "ref": 901}
    assert answers(yard.send("north", cancel)) == [("cancel", 901, "cancelled", None)]
    assert yard.said[-1].body.get("claimant") is None
