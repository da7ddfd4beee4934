"""Each check of an order by itself, at its edges: it holds, it does not, or (None) what is known leaves it open."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from conformance.oracle.node_state import NodeState
from conformance.oracle.order_checks import CHECKS, Arrived, Judged, narrowed
from protocol.site import NodeSite
from protocol.site_file import scenario
from tests.oracle.test_order_checks import BOOT, MARK, state

SITE = scenario()
NODES = SITE.nodes
CRANE_AND_BERTH = replace(NODES["north"], roles=("crane", "berth"), berth=NODES["siding"].berth)
JOB = 400


def arrived(act: str, *, late: bool | None = False, bench: bool | None = True, **fields: Any) -> Arrived:
    """An order that can be read."""
    body = {"act": act, "boot": BOOT, "id": MARK + 1} | fields
    return Arrived(1, 0.0, body, late=late, bench=bench)


def holds(
    check: str, act: str, node: str | NodeSite = "ferry", *, known: Any = (), **fields: Any
) -> bool | None:
    """Whether a check holds of an order to a node of which all else is known."""
    site = NODES[node] if isinstance(node, str) else node
    where = state(node if isinstance(node, str) else "north", **dict(known))
    return CHECKS[check](where, arrived(act, **fields), Judged(SITE, site), BOOT)


@pytest.mark.parametrize(("boot", "is_"), [(BOOT - 1, True), (BOOT, False), (BOOT + 1, True)])
def test_another_boot(boot: int, is_: bool) -> None:
    """ORD-05: a node refuses an order for another boot."""
    assert holds("other_boot", "run", boot=boot) is is_


@pytest.mark.parametrize(
    ("job", "id_", "repeat", "cancel"),
    [(JOB, JOB, True, True), (JOB, JOB + 1, False, False), (JOB, JOB - 1, False, False), (None, JOB, None, None),
     (0, JOB, False, False)],
)  # fmt: skip
def test_the_id_of_the_job(job: int | None, id_: int, repeat: bool | None, cancel: bool | None) -> None:
    """ORD-06 and ORD-17: the id of its current or last job, as the order's own or as that which a cancel names."""
    known = {"job": job}
    assert holds("repeat_of_job", "run", known=known, id=id_) is repeat
    assert holds("repeat_of_job", "resume", known=known, id=id_, holds=0) is repeat, (
        "whatever else it carries"
    )
    assert holds("cancel_of_job", "cancel", known=known, ref=id_) is cancel
    assert holds("cancel_of_job", "run", known=known, id=id_, ref=id_) is False


@pytest.mark.parametrize(
    ("mark", "id_", "is_"),
    [(MARK, MARK - 1, True), (MARK, MARK, True), (MARK, MARK + 1, False), (None, MARK, None)],
)
def test_at_or_below_the_mark(mark: int | None, id_: int, is_: bool | None) -> None:
    """ORD-07: a node refuses an id at or below its mark that is no repeat."""
    assert holds("at_or_below_mark", "run", known={"mark": mark}, id=id_) is is_


@pytest.mark.parametrize(
    ("ref", "later", "unseen"),
    [(MARK - 1, False, False), (MARK, False, False), (MARK + 1, False, True), (MARK + 4, False, True),
     (MARK + 5, True, True), (MARK + 6, True, True)],
)  # fmt: skip
def test_a_cancel_of_what_the_node_has_not_seen(ref: int, later: bool, unseen: bool) -> None:
    """ORD-18 and ORD-21: a ref above the mark is unseen; one that is not below the cancel's own id is refused."""
    assert holds("cancel_of_later", "cancel", id=MARK + 5, ref=ref) is later
    assert holds("cancel_of_unseen", "cancel", id=MARK + 5, ref=ref) is unseen
    assert holds("cancel_of_unseen", "cancel", known={"mark": None}, id=MARK + 5, ref=ref) is None
    assert holds("cancel_of_forgotten", "cancel", id=MARK + 5, ref=ref) is True


def test_what_is_no_cancel_is_none_of_these() -> None:
    for check in ("cancel_of_later", "cancel_of_unseen", "cancel_of_forgotten", "cancel_of_job"):
        assert holds(check, "run", known={"mark": None, "job": None}, ref=MARK + 9) is False


@pytest.mark.parametrize(
    ("node", "act", "role"),
    [("ferry", "run", 0), ("ferry", "jog", None), ("north", "jog", 0), ("north", "run", None), ("siding", "admit", 0),
     ("siding", "transfer", None), (CRANE_AND_BERTH, "park", 0), (CRANE_AND_BERTH, "depart", 1),
     (CRANE_AND_BERTH, "run", None)],
)  # fmt: skip
def test_an_act_that_no_role_has(node: str | NodeSite, act: str, role: int | None) -> None:
    """ORD-13: a node refuses an act that none of its roles has."""
    judged = Judged(SITE, NODES[node] if isinstance(node, str) else node)
    assert judged.role_of(act) == role
    assert judged.supports(act) is (role is not None)
    assert holds("unsupported", act, node) is (role is None)


def test_what_is_no_job_belongs_to_no_role_and_is_supported_by_all() -> None:
    for act in ("resume", "reset-fault", "cancel", "stimulus"):
        assert Judged(SITE, CRANE_AND_BERTH).role_of(act) is None
        assert Judged(SITE, CRANE_AND_BERTH).supports(act)


@pytest.mark.parametrize("act", ["stimulus", "set-uptime", "run"])
@pytest.mark.parametrize(("bench", "is_"), [(True, False), (False, True), (None, None)])
def test_an_act_for_the_bench(act: str, bench: bool | None, is_: bool | None) -> None:
    """BEN-01: a node takes stimulus and set-uptime only when it was started in bench mode."""
    assert holds("not_on_bench", act, bench=bench) is (False if act == "run" else is_)


@pytest.mark.parametrize(("count", "is_"), [(4, True), (3, False), (2, True)])
def test_a_resume_of_another_count(count: int, is_: bool) -> None:
    """HLD-04: a node refuses a resume that names another count of holds than its own."""
    assert holds("holds_moved_on", "resume", known={"holds": 3}, holds=count) is is_
    assert holds("holds_moved_on", "resume", known={"holds": None}, holds=count) is None
    assert holds("holds_moved_on", "run", known={"holds": None}, holds=count) is False


@pytest.mark.parametrize(
    ("least", "count", "is_"),
    [(3, 2, True), (3, 3, None), (3, 4, None), (0, 65_535, True), (65_535, 0, None), (None, 3, None)],
)
def test_a_reset_fault_of_another_count(least: int | None, count: int, is_: bool | None) -> None:
    """FLT-04; a fault may have come since, so only a count below the least one is surely wrong."""
    assert holds("faults_moved_on", "reset-fault", known={"faults": least}, faults=count) is is_
    assert holds("faults_moved_on", "run", known={"faults": least}, faults=count) is False


@pytest.mark.parametrize(
    ("node", "said", "unfit"),
    [
        ("north", {}, False),
        ("north", {"found": "none"}, False),
        ("north", {"found": "box"}, False),
        ("north", {"found": "box", "place": "quay-n"}, True),
        ("north", {"place": "quay-n"}, True),
        ("siding", {"found": "none"}, False),
        ("siding", {"found": "box"}, True),
        ("siding", {"found": "none", "place": "quay-n"}, True),
        ("ferry", {"place": "quay-n"}, False),
        ("ferry", {"place": "quay-s"}, False),
        ("ferry", {"place": "stack-n"}, True),
        ("ferry", {"found": "none"}, True),
        (CRANE_AND_BERTH, {"found": "box"}, False),
        (CRANE_AND_BERTH, {"found": "none"}, False),
        (CRANE_AND_BERTH, {"place": "quay-n"}, True),
    ],
)
def test_what_nobody_can_have_found(node: str | NodeSite, said: dict[str, str], unfit: bool) -> None:
    """BER-07 and SHT-06: one of the roles can be as it was found."""
    assert holds("finding_unfit", "reset-fault", node, faults=0, **said) is unfit
    assert holds("finding_unfit", "park", node, **said) is False


@pytest.mark.parametrize("late", [True, False, None])
def test_a_deadline(late: bool | None) -> None:
    """ORD-10, of an order that has one."""
    assert holds("past_deadline", "run", late=late, deadline=5) is late
    assert holds("past_deadline", "resume", late=late) is False


@pytest.mark.parametrize(
    ("job", "words", "is_"),
    [
        (None, "", None),
        (0, "", False),
        (JOB, "accepted", None),
        (JOB, "running", None),
        (JOB, "done", False),
        (JOB, "failed", False),
        (JOB, "cancelled", False),
    ],
)
def test_a_job_that_is_open(job: int | None, words: str, is_: bool | None) -> None:
    """ORD-12; a job that was accepted or running when it was last heard of may have ended by now."""
    known = {"job": job, "job_states": frozenset({words} - {""})}
    assert holds("job_open", "run", known=known) is is_
    assert holds("job_open", "resume", known=known) is False


@pytest.mark.parametrize("held", [True, False, None])
def test_a_hold_that_stands(held: bool | None) -> None:
    """HLD-03: a held node refuses jobs."""
    assert holds("is_held", "run", known={"held": held}) is held
    assert holds("is_held", "cancel", known={"held": held}) is False


@pytest.mark.parametrize(
    ("node", "act", "words", "is_"),
    [
        ("north", "park", {"ready"}, None),
        ("north", "park", {"unhomed"}, True),
        ("north", "park", {"faulted"}, True),
        ("north", "home", {"unhomed"}, None),
        ("north", "home", {"faulted"}, None),
        ("north", "home", {"ready", "faulted"}, None),
        ("siding", "admit", {"empty"}, None),
        ("siding", "admit", {"at-rest"}, True),
        ("siding", "depart", {"at-rest"}, None),
        ("siding", "depart", {"empty"}, True),
        ("ferry", "run", {"at-place"}, None),
        ("ferry", "run", {"lost"}, True),
        ("ferry", "run", {"lost", "at-place"}, None),
    ],
)
def test_a_machine_that_cannot_take_it(node: str, act: str, words: set[str], is_: bool | None) -> None:
    """CRN-03, BER-03, SHT-03: a fault or a person at the switch may have stopped a machine that could."""
    own, other = ("mode", "state") if node == "north" else ("state", "mode")
    assert holds(f"{own}_forbids", act, node, known={"roles": (frozenset(words),)}) is is_
    assert holds(f"{own}_forbids", act, node, known={"roles": (None,)}) is None
    assert holds(f"{other}_forbids", act, node, known={"roles": (frozenset(words),)}) is False
    assert holds(f"{own}_forbids", "resume", node, known={"roles": (frozenset(words),)}) is False


def test_of_two_roles_each_is_asked_for_its_own_acts() -> None:
    known = {"roles": (frozenset({"ready"}), frozenset({"lost"}))}
    assert holds("mode_forbids", "park", CRANE_AND_BERTH, known=known) is None
    assert holds("state_forbids", "park", CRANE_AND_BERTH, known=known) is False
    assert holds("mode_forbids", "admit", CRANE_AND_BERTH, known=known) is False
    assert holds("state_forbids", "admit", CRANE_AND_BERTH, known=known) is True


@pytest.mark.parametrize(
    ("load", "with_from", "without"),
    [("none", False, True), ("box", True, False), ("unsure", True, True), (None, None, None)],
)
def test_what_the_spreader_holds(load: str | None, with_from: bool | None, without: bool | None) -> None:
    """CRN-08: a transfer without 'from' needs the box in the spreader, and one with 'from' an empty one."""
    known = {"load": load}
    assert holds("load_forbids", "transfer", "north", known=known, **{"from": "stack-n"}) is with_from
    assert holds("load_forbids", "transfer", "north", known=known) is without
    assert holds("load_forbids", "park", "north", known=known) is False
    assert holds("load_forbids", "transfer", "ferry", known=known) is False


# ---------------------------------------------------------------- what is left of a state
def left(
    check: str, before: NodeState, act: str, *, holds: bool, node: str = "ferry", **fields: Any
) -> NodeState:
    return narrowed(check, before, arrived(act, **fields), Judged(SITE, NODES[node]), holds=holds)


def test_that_a_job_is_open_leaves_what_it_may_be_while_it_is() -> None:
    before = state(job=JOB, job_states=frozenset({"accepted"}))
    after = left("job_open", before, "run", holds=True)
    assert after == before._replace(job_states=frozenset({"accepted", "running"}))
    after = left("job_open", before, "run", holds=False)
    assert after == before._replace(job_states=frozenset({"done", "failed"}))
    unknown = state(job=None)
    assert (
        left("job_open", unknown, "run", holds=True)
        == left("job_open", unknown, "run", holds=False)
        == unknown
    )


@pytest.mark.parametrize("held", [True, False])
def test_that_a_hold_stands_or_not_is_known_then(held: bool) -> None:
    assert left("is_held", state(held=None), "run", holds=held) == state(held=held)


def test_a_machine_that_takes_it_or_not_is_in_a_state_that_does() -> None:
    before = state("north", roles=(frozenset({"ready"}),))
    taking = left("mode_forbids", before, "park", holds=False, node="north")
    assert taking.roles == (frozenset({"ready"}),)
    refusing = left("mode_forbids", before, "park", holds=True, node="north")
    assert refusing.roles == (frozenset({"faulted", "manual", "unhomed"}),)
    ferry = state(roles=(frozenset({"at-place"}),))
    assert left("state_forbids", ferry, "run", holds=True).roles == (frozenset({"lost"}),)
    for unknown, act in ((state(roles=(None,)), "run"), (ferry, "resume")):
        assert left("state_forbids", unknown, act, holds=True) == unknown


def test_of_two_roles_that_of_the_act_is_narrowed() -> None:
    ready, at_rest = frozenset({"ready"}), frozenset({"at-rest"})
    before = state("north", roles=(ready, at_rest))
    judged = Judged(SITE, CRANE_AND_BERTH)
    after = narrowed("state_forbids", before, arrived("depart"), judged, holds=True)
    assert after.roles == (ready, frozenset({"lost"}))
    after = narrowed("mode_forbids", before, arrived("park"), judged, holds=True)
    assert after.roles == (frozenset({"faulted", "manual", "unhomed"}), at_rest)


@pytest.mark.parametrize(
    ("least", "named", "holds", "then"),
    [(3, 3, False, 3), (3, 5, False, 5), (3, 3, True, 4), (3, 5, True, 3), (65_535, 65_535, True, 0),
     (None, 3, True, None)],
)  # fmt: skip
def test_the_count_of_faults_is_learnt_by_the_answer(
    least: int | None, named: int, holds: bool, then: int | None
) -> None:
    """FLT-04: who obeys has just that count; who refuses has another, so not the one that was the least."""
    after = left("faults_moved_on", state(faults=least), "reset-fault", holds=holds, faults=named)
    assert after == state(faults=then)


@pytest.mark.parametrize(("holds", "then"), [(False, 8), (True, None)])
def test_the_count_of_holds_is_learnt_where_a_resume_is_obeyed(holds: bool, then: int | None) -> None:
    order = Arrived(1, 0.0, {"act": "resume", "boot": BOOT, "id": MARK + 1, "holds": 8})
    after = narrowed("holds_moved_on", state(holds=None), order, Judged(SITE, NODES["ferry"]), holds=holds)
    assert after == state(holds=then)


def test_a_check_that_tells_nothing_of_the_node_leaves_it() -> None:
    before = state(mark=None, job=None)
    for check in ("at_or_below_mark", "past_deadline", "load_forbids", "not_on_bench"):
        assert left(check, before, "run", holds=True) == left(check, before, "run", holds=False) == before


# ---------------------------------------------------------------- an order as it came
def test_a_report_stands_under_the_ref_of_a_cancel_and_under_the_id_of_all_else() -> None:
    """ORD-14: one that answers a cancel carries the id of the order that the cancel names."""
    assert arrived("cancel", ref=4).under == 4
    assert arrived("run").under == MARK + 1
    assert (Arrived(1, 0.0, {}).under, Arrived(1, 0.0, {}).act) == (None, "")
    assert Arrived(1, 0.0, {"act": "ask", "token": 4}).under is None
    plain = Arrived(1, 0.0, {})
    assert (plain.readable, plain.sure, plain.late, plain.bench, plain.minor) == (
        True,
        True,
        None,
        None,
        None,
    )
