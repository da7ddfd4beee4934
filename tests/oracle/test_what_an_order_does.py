"""What an order that is refused, repeated, cancelled or obeyed makes of a node, field by field."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from conformance.oracle.node_state import NodeState, Outcome
from conformance.oracle.order_checks import Arrived, Judged
from conformance.oracle.order_effects import UNKNOWN, handled
from protocol.site import NodeSite
from protocol.site_file import scenario
from tests.oracle.test_order_checks import BOOT, MARK, state

SITE = scenario()
NODES = SITE.nodes
TWO = replace(NODES["north"], roles=("crane", "berth"), berth=NODES["siding"].berth)
JOB = 400
NEXT = MARK + 1
FINAL = frozenset({"done", "failed"})
RUN = {"act": "run", "to": "quay-s", "deadline": 9_000}


def after(body: dict[str, Any], node: str | NodeSite = "ferry", *, minor: int | None = None, sure: bool = True,
          readable: bool | None = True, before: NodeState | None = None, **known: Any) -> list[NodeState]:  # fmt: skip
    """Every state that may follow."""
    site = NODES[node] if isinstance(node, str) else node
    was = before or state(node if isinstance(node, str) else "north", **known)
    order = Arrived(
        5, 70.0, {"boot": BOOT, "id": NEXT} | body, readable, sure, late=False, bench=True, minor=minor
    )
    return handled(was, order, Judged(SITE, site), BOOT)


def answered(states: list[NodeState], word: str, reason: str | None = None) -> NodeState:
    """The one of them in which that answer is owed."""
    [one] = [s for s in states if any((o.state, o.reason) == (word, reason) for o in s.owed[-1].outcomes)]
    return one


def outcomes(states: list[NodeState]) -> set[tuple[str, str | None, str]]:
    return {(one.state, one.reason, one.requirement) for s in states for one in s.owed[-1].outcomes}


# ---------------------------------------------------------------- whether it comes at all
def test_what_may_be_lost_or_not_be_read_is_handled_or_not() -> None:
    """ENC-10: an order that it cannot read raises no mark and gets no report."""
    passed = state(handled=1)
    claim = {"act": "claim"}
    assert after(claim, readable=False) == [passed]
    assert after(claim, readable=False, sure=False) == [passed]
    open_: dict[str, Any]
    for open_ in ({"readable": None}, {"sure": False}, {"readable": None, "sure": False}):
        lost, taken = after(claim, **open_)
        assert (lost, taken.mark, taken.handled, len(taken.owed)) == (passed, NEXT, 1, 1)
    [taken] = after(claim)
    assert (taken.mark, taken.handled, len(taken.owed)) == (NEXT, 1, 1)


def test_what_is_owed_names_the_order_as_it_came() -> None:
    """ORD-14: the id, the boot and the act; ORD-02: behind all that was owed before."""
    [first] = after({"act": "ask", "token": 9})
    owed = first.owed[0]
    assert (owed.number, owed.at_ms, owed.act, owed.id, owed.token, owed.mark) == (
        5,
        70.0,
        "ask",
        None,
        9,
        MARK,
    )
    assert (owed.begins, owed.claimant, owed.deadline, owed.told) == (False, None, None, frozenset())
    second = answered(after(RUN | {"token": 3}, before=first), "accepted")
    assert second.owed[0] == owed
    owed = second.owed[1]
    assert (owed.act, owed.id, owed.token, owed.boot, owed.mark) == ("run", NEXT, None, BOOT, NEXT)
    assert (owed.begins, owed.deadline, second.handled) == (True, 9_000, 2)


def test_an_ask_changes_nothing() -> None:
    """ORD-04: it moves nothing, changes no state and leaves the mark alone; ORD-03: whatever its boot or mark."""
    for boot, mark in ((BOOT, MARK), (BOOT + 1, None)):
        [one] = after({"act": "ask", "token": 9, "boot": boot}, mark=mark)
        assert one._replace(owed=()) == state(mark=mark, handled=1)
        assert one.owed[0].outcomes == {Outcome("done", None, "ORD-03")}


# ---------------------------------------------------------------- the hold
@pytest.mark.parametrize(("holds", "then"), [(0, 1), (65_535, 0), (None, None)])
def test_a_hold_is_counted_and_has_no_report(holds: int | None, then: int | None) -> None:
    """HLD-01: 'held' is true in its state, and the count goes up by one; HLD-02: it raises no mark."""
    [one] = after({"act": "hold", "token": 6}, holds=holds, hold_token=5, held=None)
    assert one == state(handled=1, held=True, holds=then, hold_token=6)
    [one] = after({"act": "hold"}, holds=holds, hold_token=5)
    assert one == state(handled=1, held=True, holds=then, hold_token=None)


@pytest.mark.parametrize("known", [6, UNKNOWN])
def test_a_hold_that_may_be_a_repeat_holds_or_not(known: int) -> None:
    """HLD-08, a SHOULD: after a resume it holds nothing."""
    counted, passed = after({"act": "hold", "token": 6}, holds=2, hold_token=known)
    assert counted == state(handled=1, held=True, holds=3, hold_token=6)
    assert passed == state(handled=1, held=False, holds=2, hold_token=6)


def test_a_node_of_which_nothing_is_known_may_have_had_that_hold() -> None:
    """Nor is it known whose claim raised its mark, until an order does."""
    unknown = NodeState(roles=(None,))
    counted, passed = after({"act": "hold", "token": 6}, before=unknown)
    assert (counted.held, counted.holds, passed.held, passed.holds) == (True, None, None, None)
    [again] = after({"act": "claim", "id": MARK}, before=unknown._replace(mark=MARK))
    assert again.owed[0].claimant == UNKNOWN


# ---------------------------------------------------------------- the mark
@pytest.mark.parametrize(("mark", "then"), [(MARK, NEXT), (None, NEXT)])
def test_what_passes_the_check_of_the_mark_raises_it_before_any_later_check(
    mark: int | None, then: int
) -> None:
    """ORD-08: to the id of every order that passes; and no claim raised it then [CLM-05]."""
    for body in (RUN, {"act": "resume", "holds": 9}, {"act": "jog", "target": [0], "deadline": 9_000}):
        above = [s for s in after(body, mark=mark, claimant=77, held=True) if s.owed[-1].mark == then]
        assert above
        assert {(one.mark, one.claimant) for one in above} == {(then, None)}


@pytest.mark.parametrize("body", [RUN | {"boot": BOOT + 1}, RUN | {"id": MARK}, RUN | {"id": JOB}])
def test_what_does_not_pass_leaves_it_alone(body: dict[str, Any]) -> None:
    """ORD-05, ORD-07 and ORD-06."""
    every = after(body, job=JOB, act="run", job_states=frozenset({"done"}), claimant=77)
    assert {(one.mark, one.claimant) for one in every} == {(MARK, 77)}


# ---------------------------------------------------------------- a claim
def test_a_claim_above_the_mark_raises_it() -> None:
    """CLM-01; CLM-05: the report carries the token of the claim that raised it, and none where it had none."""
    for token in (None, 31):
        more = {} if token is None else {"token": token}
        [one] = after({"act": "claim"} | more, claimant=77)
        assert one._replace(owed=()) == state(handled=1, mark=NEXT, claimant=token)
        assert (one.owed[0].claimant, one.owed[0].mark, one.owed[0].id) == (token, NEXT, NEXT)
        assert outcomes([one]) == {("done", None, "CLM-01")}


@pytest.mark.parametrize(
    ("id_", "answer"), [(MARK, ("done", None, "CLM-02")), (MARK - 1, ("refused", "stale", "CLM-02"))]
)
def test_a_claim_at_or_below_the_mark_changes_nothing(id_: int, answer: tuple[str, str | None, str]) -> None:
    """CLM-02: 'done' if the mark is its own id, else 'refused' with 'stale'."""
    [one] = after({"act": "claim", "id": id_, "token": 31}, claimant=77)
    assert one._replace(owed=()) == state(handled=1, claimant=77)
    assert outcomes([one]) == {answer}
    assert one.owed[0].claimant == (77 if id_ == MARK else None)
    assert (one.owed[0].id, one.owed[0].mark) == (id_, MARK)


def test_where_the_mark_is_not_known_a_claim_raised_it_or_met_it_or_came_too_late() -> None:
    every = after({"act": "claim", "token": 31}, mark=None, claimant=77)
    found = {(one.mark, one.owed[0].claimant, *sorted(outcomes([one]))) for one in every}
    assert found == {
        (NEXT, 31, ("done", None, "CLM-01")),
        (NEXT, UNKNOWN, ("done", None, "CLM-02")),
        (None, None, ("refused", "stale", "CLM-02")),
    }


def test_a_claim_for_another_boot_is_refused() -> None:
    """ORD-05, and the mark is left alone."""
    [one] = after({"act": "claim", "boot": BOOT + 1}, claimant=77)
    assert one._replace(owed=()) == state(handled=1, claimant=77)
    assert outcomes([one]) == {("refused", "wrong-boot", "ORD-05")}


# ---------------------------------------------------------------- a job
def test_a_job_that_begins_is_known_and_its_machine_no_more() -> None:
    """ORD-15: it goes through accepted first; what the machine and its load are is told by it alone from now on."""
    one = answered(after(RUN, job=JOB, act="home", past_return=True, arrivals=4, load="box"), "accepted")
    assert one._replace(owed=()) == state(
        handled=1, mark=NEXT, job=NEXT, act="run", job_states=frozenset({"accepted"}), past_return=False, arrivals=4,
        load=None, roles=(None,),
    )  # fmt: skip


@pytest.mark.parametrize(("count", "then"), [(3, 4), (65_535, 0), (None, None)])
def test_an_admit_that_is_accepted_counts_an_arrival(count: int | None, then: int | None) -> None:
    """BER-06: the arrival count goes up by one with every admit that is accepted."""
    order = {"act": "admit", "deadline": 9_000}
    assert answered(after(order, "siding", arrivals=count), "accepted").arrivals == then
    assert answered(after(order, "siding", arrivals=count), "refused", "state").arrivals == count
    order = {"act": "depart", "deadline": 9_000}
    at_rest = (frozenset({"at-rest"}),)
    assert answered(after(order, "siding", arrivals=count, roles=at_rest), "accepted").arrivals == count


def test_of_two_roles_the_machine_of_the_job_is_not_known() -> None:
    ready, empty = frozenset({"ready"}), frozenset({"empty"})
    known: dict[str, Any] = {"roles": (ready, empty), "arrivals": 0}
    park, admit = {"act": "park", "deadline": 9_000}, {"act": "admit", "deadline": 9_000}
    assert answered(after(park, TWO, **known), "accepted").roles == (None, empty)
    assert answered(after(admit, TWO, **known), "accepted").roles == (ready, None)
    assert answered(after(park, TWO, **known), "refused", "mode").roles[1] == empty


def test_an_answer_tells_what_the_node_was_when_it_gave_it() -> None:
    """ORD-12: 'busy' that the job was open; HLD-03: 'held' that it was not, and a hold stood."""
    known: dict[str, Any] = {"job": JOB, "act": "run", "job_states": frozenset({"running"}), "held": None}
    every = after(RUN, **known)
    busy, held = answered(every, "refused", "busy"), answered(every, "refused", "held")
    assert (busy.job_states, busy.held) == (frozenset({"running"}), None)
    assert (held.job_states, held.held) == (FINAL, True)
    assert answered(every, "refused", "state").roles == (frozenset({"lost"}),)
    assert answered(every, "refused", "state").held is False
    assert answered(every, "accepted").held is False


def test_what_is_refused_leaves_the_last_job() -> None:
    """ORD-09: a refused order does not become the last job."""
    known: dict[str, Any] = {"job": JOB, "act": "run", "job_states": frozenset({"done"}), "held": True}
    [one] = after(RUN, **known)
    assert one._replace(owed=()) == state(handled=1, mark=NEXT, **known)
    assert outcomes([one]) == {("refused", "held", "HLD-03")}


# ---------------------------------------------------------------- repeats and cancels


@pytest.mark.parametrize(
    ("words", "said"),
    [({"accepted"}, {"accepted", "running", *FINAL}), ({"running"}, {"running", *FINAL}), ({"done"}, {"done"}),
     ({"cancelled"}, {"cancelled"})],
)  # fmt: skip
def test_a_repeat_is_answered_with_what_the_job_is_by_now(words: set[str], said: set[str]) -> None:
    """ORD-06: with that job's state, and does nothing again, whatever else the order carries."""
    known: dict[str, Any] = {"job": JOB, "act": "run", "job_states": frozenset(words)}
    for body in (RUN | {"id": JOB}, {"act": "resume", "holds": 4, "id": JOB}):
        [one] = after(body, **known)
        assert one._replace(owed=()) == state(handled=1, **known)
        assert one.owed[0].id == JOB
        assert outcomes([one]) == {(word, None, "ORD-06") for word in said}


def test_a_repeat_of_a_job_that_is_not_known_tells_which_it_is() -> None:
    """Or there is none of that id, and it is below the mark."""
    every = after(RUN | {"id": JOB}, job=None, act="run", past_return=True)
    words = {"accepted", "running", "done", "failed", "cancelled"}
    found = {one.job: one for one in every}
    assert set(found) == {JOB, None}
    assert (found[JOB].act, found[JOB].job_states, found[JOB].past_return) == ("", frozenset(words), False)
    assert outcomes([found[JOB]]) == {(word, None, "ORD-06") for word in words}
    assert outcomes([found[None]]) == {("refused", "stale", "ORD-07")}


@pytest.mark.parametrize(
    ("words", "past", "ends"),
    [
        ({"accepted"}, False, {"cancelled", "running", *FINAL}),
        ({"accepted"}, True, {"cancelled", "running", *FINAL}),
        ({"running"}, False, {"cancelled", "running", *FINAL}),
        ({"running"}, True, {"running", *FINAL}),
        ({"failed"}, False, {"failed"}),
        ({"cancelled"}, False, {"cancelled"}),
    ],
)
def test_a_cancel_of_the_job_is_answered_under_its_id(words: set[str], past: bool, ends: set[str]) -> None:
    """ORD-17: 'cancelled' if nothing was picked or moved past return, else the job's state, or 'too-late'."""
    known: dict[str, Any] = {"job": JOB, "act": "run", "past_return": past}
    every = after({"act": "cancel", "ref": JOB}, job_states=frozenset(words), **known)
    for one in every:
        assert one._replace(owed=(), job_states=frozenset()) == state(handled=1, **known)
        [(word, reason, requirement)] = outcomes([one])
        assert (one.owed[0].id, requirement, one.job_states) == (JOB, "ORD-17", frozenset({word}))
        assert reason == ("too-late" if word == "running" else None)
    assert [len(every), {next(iter(one.job_states)) for one in every}] == [len(ends), ends]


def test_a_cancel_of_a_job_that_is_not_known_leaves_every_end_open() -> None:
    every = after({"act": "cancel", "ref": JOB}, job=None, act="run", past_return=True)
    of_job = [one for one in every if one.job == JOB]
    assert {next(iter(one.job_states)) for one in of_job} == {"running", "done", "failed", "cancelled"}
    assert {(one.act, one.past_return, one.owed[0].id) for one in of_job} == {("", False, JOB)}
    assert outcomes([one for one in every if one.job is None]) == {("refused", "stale", "ORD-07")}


def test_a_cancel_of_what_has_not_come_keeps_it_out() -> None:
    """ORD-18: the mark goes to the cancel's own id, and the answer stands under the id of that order."""
    [one] = after({"act": "cancel", "id": MARK + 9, "ref": MARK + 4})
    assert (one.mark, one.owed[0].id, one.job) == (MARK + 9, MARK + 4, 0)
    assert outcomes([one]) == {("cancelled", None, "ORD-18")}


@pytest.mark.parametrize(
    ("minor", "answer"), [(0, ("cancelled", None, "ORD-18")), (1, ("refused", "stale", "ORD-21"))]
)
def test_a_check_that_came_later_binds_who_says_so(minor: int, answer: tuple[str, str | None, str]) -> None:
    [one] = after({"act": "cancel", "id": MARK + 9, "ref": MARK + 9}, minor=minor)
    assert outcomes([one]) == {answer}


# ---------------------------------------------------------------- what is done at once
def test_a_resume_ends_the_hold_and_nothing_else() -> None:
    """HLD-05: and an open job goes on."""
    known: dict[str, Any] = {"job": JOB, "act": "run", "job_states": frozenset({"running"}), "holds": 2}
    [one] = after({"act": "resume", "holds": 2}, held=True, **known)
    assert one._replace(owed=()) == state(handled=1, mark=NEXT, held=False, **known)
    assert outcomes([one]) == {("done", None, "HLD-05")}


@pytest.mark.parametrize(
    ("act", "load", "requirement"), [("stimulus", None, "BEN-02"), ("set-uptime", "box", "BEN-04")]
)
def test_what_is_for_the_bench_changes_no_state_but_what_sensors_say(
    act: str, load: str | None, requirement: str
) -> None:
    [one] = after({"act": act}, "north", load="box")
    assert one._replace(owed=()) == state("north", handled=1, mark=NEXT, load=load)
    assert outcomes([one]) == {("done", None, requirement)}


def test_a_reset_fault_is_looked_at_role_by_role() -> None:
    """BER-07: only by one that says 'none' was found; another fault that stands may keep a crane where it is."""
    known: dict[str, Any] = {"roles": (frozenset({"faulted"}), frozenset({"lost"})), "load": "box"}
    reset = {"act": "reset-fault", "faults": 0}
    crane = frozenset({"faulted", "ready", "unhomed"})
    one = answered(after(reset, TWO, **known), "done")
    assert (one.roles, one.load, one.faults) == ((crane, frozenset({"lost"})), None, 0)
    assert answered(after(reset | {"found": "none"}, TWO, **known), "done").roles == (
        crane,
        frozenset({"lost", "empty"}),
    )
    assert answered(after(reset | {"found": "box"}, TWO, **known), "done").roles == (
        crane,
        frozenset({"lost"}),
    )
    unknown: dict[str, Any] = {"roles": (None, frozenset({"empty"}))}
    assert answered(after(reset, TWO, **unknown), "done").roles == (None, frozenset({"empty"}))
    for answer in outcomes(after(reset, TWO, **known)):
        assert answer in {("done", None, "FLT-04"), ("refused", "fault-count", "FLT-04")}


# ---------------------------------------------------------------- the requirement behind a refusal
TRANSFER = {"act": "transfer", "to": "ferry", "to_slot": 0, "box": "B", "deadline": 9_000}


@pytest.mark.parametrize(
    ("node", "body", "reason", "requirement"),
    [
        ("ferry", RUN | {"to": "nowhere"}, "place", "SHT-03"),
        ("south", TRANSFER, "place", "CRN-07"),
        ("south", TRANSFER | {"from": "stack-s", "from_slot": 0}, "place", "CRN-07"),
        ("south", TRANSFER | {"from": "nowhere", "from_slot": 0}, "place", "CRN-05"),
        ("south", TRANSFER | {"to": "nowhere"}, "place", "CRN-05"),
        ("south", TRANSFER | {"to": "siding", "stop": 1}, "place", "CRN-05"),
        ("south", TRANSFER | {"reading": 128}, "place", "CRN-05"),
        ("siding", {"act": "admit", "deadline": 9_000}, "state", "BER-03"),
        ("ferry", RUN, "state", "SHT-03"),
        ("siding", {"act": "reset-fault", "faults": 0, "found": "box"}, "nothing-found", "BER-07"),
        ("ferry", {"act": "reset-fault", "faults": 0, "found": "box"}, "nothing-found", "SHT-06"),
        ("north", {"act": "jog", "target": [0], "deadline": 9_000}, "reach", "CRN-04"),
    ],
)
def test_a_refusal_goes_by_the_requirement_of_what_is_asked_for(
    node: str, body: dict[str, Any], reason: str, requirement: str
) -> None:
    load = "box" if body["act"] == "transfer" and "from" not in body else "none"
    found = outcomes(after(body, node, load=load))
    assert {one[2] for one in found if one[:2] == ("refused", reason)} == {requirement}
