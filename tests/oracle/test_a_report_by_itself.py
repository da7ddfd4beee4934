"""One report against one state that a node may be in: the answer that it owes first, or word of its job."""

from __future__ import annotations

from collections import Counter
from typing import Any

import pytest

from conformance.oracle.answers import (
    Mismatch,
    is_answer,
    named,
    not_allowed,
    outcome_of,
    worded,
    words,
    wrong_claimant,
)
from conformance.oracle.node_state import NodeState, Outcome, Owed
from conformance.oracle.report_words import GIVEN, ReportWords
from tests.oracle.test_order_checks import BOOT, MARK, state

TOPICS = ("node-status", "shuttle-status", "fault")
JOB = MARK
DONE = Outcome("done", None, "CLM-01")
LATE = Outcome("refused", "late", "ORD-10")
ASKED = Outcome("done", None, "ORD-03")


def owed(number: int = 1, **known: Any) -> Owed:
    """A report on a claim that is done."""
    usual: dict[str, Any] = {
        "number": number, "at_ms": 0.0, "act": "claim", "id": 9, "token": None, "boot": BOOT,
        "outcomes": frozenset({DONE}), "mark": MARK,
    }  # fmt: skip
    return Owed(**usual | known)


def ask(told: tuple[str, ...] = TOPICS, **known: Any) -> Owed:
    usual: dict[str, Any] = {
        "act": "ask", "id": None, "token": 3, "boot": None, "outcomes": frozenset({ASKED}), "told": frozenset(told),
    }  # fmt: skip
    return owed(**usual | known)


def run(word: str, id_: int = JOB, **more: Any) -> dict[str, Any]:
    return {"act": "run", "state": word, "id": id_, "order_boot": BOOT, "mark": MARK, "uptime": 1_000} | more


def claim(word: str = "done", id_: int = 9, **more: Any) -> dict[str, Any]:
    return run(word, id_, act="claim", **more)


class Reader:
    """Reads the reports of a boot."""

    def __init__(self, minor: int | None = 0) -> None:
        self.counted: Counter[str] = Counter()
        self.words = ReportWords(TOPICS, lambda *requirements: self.counted.update(requirements))
        self.words.begin(BOOT)
        self.words.minor = minor

    def __call__(
        self, before: NodeState, body: dict[str, Any]
    ) -> tuple[NodeState | Mismatch, NodeState | Mismatch]:
        """As an answer, and as word of the job."""
        answer, progress = self.words.over(before, body)
        return answer, progress

    def wrong(self, before: NodeState, body: dict[str, Any]) -> list[str]:
        """What it breaks in either way; nothing where one of them is fine."""
        found = self(before, body)
        return [] if any(isinstance(one, NodeState) for one in found) else [
            one.requirement for one in found if isinstance(one, Mismatch)
        ]  # fmt: skip


def working(word: str = "running", **known: Any) -> NodeState:
    return state(job=JOB, act="run", job_states=frozenset({word}), **known)


# ---------------------------------------------------------------- is it the answer at all
@pytest.mark.parametrize(
    ("more", "is_"),
    [({}, True), ({"id": 8}, False), ({"order_boot": BOOT + 1}, False), ({"act": "run"}, False)],
)
def test_an_answer_carries_the_id_the_boot_and_the_act_of_its_order(more: dict[str, Any], is_: bool) -> None:
    """ORD-14."""
    assert is_answer(owed(), claim() | more) is is_
    assert is_answer(owed(id=None), claim() | more) is (is_ or "id" in more), "a job that is not known"


@pytest.mark.parametrize(("token", "is_"), [(3, True), (4, False), (None, False)])
def test_the_answer_to_an_ask_carries_its_token(token: int | None, is_: bool) -> None:
    """ORD-03."""
    body = {"act": "ask", "state": "done"} | ({} if token is None else {"token": token})
    assert is_answer(ask(), body) is is_
    assert not is_answer(owed(token=3), body)
    assert (named(ask()), named(owed())) == ("3", "9")


def test_an_outcome_is_met_by_its_state_and_its_reason() -> None:
    refused, any_ = Outcome("refused", "held", "HLD-03"), Outcome("cancelled", None, "ORD-17")
    three = owed(outcomes=frozenset({refused, any_, DONE}))
    assert outcome_of(three, run("refused", reason="held")) == refused
    assert outcome_of(three, run("refused", reason="busy")) is None
    assert outcome_of(three, run("refused")) is None
    assert outcome_of(three, run("cancelled", reason="fault")) == any_
    assert outcome_of(three, run("running")) is None
    assert [worded(refused), worded(any_)] == ["'refused' 'held'", "'cancelled'"]
    assert [words(["b", "a"]), words([])] == ["'a' or 'b'", "none"]


def test_a_wrong_answer_is_told_with_what_it_must_be() -> None:
    found = not_allowed(owed(outcomes=frozenset({DONE, LATE})), claim("refused", reason="stale"))
    assert found == (
        4,
        "CLM-01",
        "claim 9 is answered 'refused' 'stale' and must be 'done' or 'refused' 'late'",
    )


@pytest.mark.parametrize(
    ("claimant", "said", "wrong"), [(4, 4, False), (4, 5, True), (4, None, True), (None, None, False), (None, 5, True),
                                    (-1, 5, False), (-1, None, False)],
)  # fmt: skip
def test_a_claim_names_whose_claim_raised_the_mark(
    claimant: int | None, said: int | None, wrong: bool
) -> None:
    """CLM-05: the token of the claim that raised the mark, and none where that claim had none; from minor 1 on."""
    one = owed(claimant=claimant)
    body = claim() if said is None else claim(claimant=said)
    found = wrong_claimant(one, body)
    assert (found is not None) is wrong
    if found is not None:
        assert (found.fits, found.requirement) == (5, "CLM-05")
    before = state(owed=(one,))
    assert Reader(1).wrong(before, body) == (["CLM-05", "ORD-14"] if wrong else [])
    assert Reader(0).wrong(before, body) == []
    stale = owed(claimant=claimant, outcomes=frozenset({Outcome("refused", "stale", "CLM-02")}))
    assert Reader(1).wrong(state(owed=(stale,)), body | {"state": "refused", "reason": "stale"}) == []


# ---------------------------------------------------------------- the answer that is owed
def test_an_answer_is_owed_no_more_and_counts_as_judged() -> None:
    reader = Reader()
    then, other = reader(state(owed=(owed(), ask())), claim())
    assert then == state(owed=(ask(),))
    assert isinstance(other, Mismatch)
    assert reader.counted == Counter(["ORD-01", "ORD-02", "ORD-14", "CLM-01", "ORD-08"])
    reader = Reader()
    then, _ = reader(state(mark=None, owed=(owed(mark=None, outcomes=frozenset()),)), claim())
    assert then == state(mark=MARK)
    assert reader.counted == Counter(["ORD-01", "ORD-02", "ORD-14"])


def test_answers_come_in_the_order_of_the_orders() -> None:
    """ORD-02; who answers the second first has left the first out [ORD-01]."""
    both = state(owed=(owed(), owed(2, id=10)))
    assert Reader().wrong(both, claim(id_=10)) == ["ORD-01", "ORD-01"]
    assert Reader().wrong(both, claim(id_=11)) == ["ORD-14", "ORD-14"]
    assert Reader().wrong(state(), claim()) == ["ORD-14", "ORD-14"]


def test_an_ask_is_answered_behind_every_state_message() -> None:
    """ORD-03: with all its state messages and then with a report that carries the token."""
    body = {"act": "ask", "state": "done", "token": 3, "mark": MARK, "uptime": 5}
    assert Reader().wrong(state(owed=(ask(),)), body) == []
    for lacks in TOPICS:
        told = tuple(one for one in TOPICS if one != lacks)
        found, _ = Reader()(state(owed=(ask(told),)), body)
        assert found == (4, "ORD-03", f"no {lacks} of then came before the report on ask 3")
    found, _ = Reader()(state(owed=(ask(()),)), body)
    assert isinstance(found, Mismatch)
    assert "no node-status and no shuttle-status and no fault" in found.what


def test_the_answer_to_an_ask_ends_what_was_passed_over_for_it() -> None:
    for one, body, left in ((ask(), {"act": "ask", "token": 3}, False), (owed(), {}, True)):
        reader = Reader()
        reader.words.passed_over = Mismatch(1, "HLD-01", "")
        reader(state(owed=(one,)), claim() | body)
        assert (reader.words.passed_over is not None) is left


@pytest.mark.parametrize(("then", "now", "said", "fine"), [(5, 9, 5, True), (5, 9, 9, True), (5, 9, 7, False),
                                                           (None, 9, 7, True), (5, None, 7, True)])  # fmt: skip
def test_a_report_says_the_mark_of_the_order_or_that_of_now(
    then: int | None, now: int | None, said: int, fine: bool
) -> None:
    """ORD-08."""
    found, _ = Reader()(state(mark=now, owed=(owed(mark=then),)), claim(mark=said))
    if fine:
        assert isinstance(found, NodeState)
        assert found.mark == (said if now is None else now)
    else:
        assert isinstance(found, Mismatch)
        assert (found.fits, found.requirement) == (5, "ORD-08")


@pytest.mark.parametrize(
    ("deadline", "uptime", "known", "wrong"),
    [(1_000, 999, True, "ORD-10"), (1_000, 1_000, True, ""), (1_000, 999, False, ""), (5, 2**32 - 5, True, "ORD-11"),
     (2**32 - 5, 5, True, ""), (None, 5, True, "")],
)  # fmt: skip
def test_late_is_said_behind_the_deadline(deadline: int | None, uptime: int, known: bool, wrong: str) -> None:
    """ORD-10, and ORD-11 beyond the wrap of uptime."""
    reader = Reader()
    reader.words.uptime_known = known
    one = owed(act="run", deadline=deadline, outcomes=frozenset({LATE, Outcome("accepted", None, "ORD-15")}))
    found, _ = reader(state(owed=(one,)), run("refused", 9, reason="late", uptime=uptime))
    assert (found.requirement if isinstance(found, Mismatch) else "") == wrong
    if isinstance(found, Mismatch):
        left = (deadline or 0) - uptime if wrong == "ORD-10" else 10
        assert (found.fits, f"late {left} ms before" in found.what) == (5, True)
    taken, _ = reader(state(owed=(one,)), run("accepted", 9, uptime=uptime))
    assert isinstance(taken, NodeState)


# ---------------------------------------------------------------- an answer that tells of the job
@pytest.mark.parametrize(
    ("known", "said", "then"),
    [("accepted", "accepted", {"accepted"}), ("accepted", "running", {"running"}), ("running", "done", {"done"}),
     ("running", "accepted", {"running"}), ("done", "running", {"done"})],
)  # fmt: skip
def test_a_repeat_is_answered_with_what_the_job_was_or_is_by_now(
    known: str, said: str, then: set[str]
) -> None:
    """ORD-06; between the look and the report the job may have gone on."""
    every = frozenset(Outcome(word, None, "ORD-06") for word in ("accepted", "running", "done"))
    found, _ = Reader()(working(known, owed=(owed(act="run", id=JOB, outcomes=every),)), run(said))
    assert isinstance(found, NodeState)
    assert found.job_states == then


def test_what_the_job_never_was_nor_can_be_is_no_answer() -> None:
    every = frozenset(Outcome(word, None, "ORD-06") for word in ("done", "failed"))
    before = working("done", owed=(owed(act="run", id=JOB, outcomes=every),))
    assert Reader().wrong(before, run("failed")) == ["ORD-15", "ORD-15"]
    refused = owed(act="run", id=JOB, outcomes=frozenset({Outcome("refused", "stale", "ORD-07")}))
    found, _ = Reader()(working("done", owed=(refused,)), run("refused", reason="stale"))
    assert found == working("done"), "a refusal tells nothing of the job"


def test_a_claim_with_the_id_of_the_job_tells_nothing_of_it() -> None:
    found, _ = Reader()(working("running", owed=(owed(id=JOB),)), claim(id_=JOB))
    assert found == working("running")
    begins = owed(act="run", id=JOB, begins=True, outcomes=frozenset({Outcome("accepted", None, "ORD-15")}))
    found, _ = Reader()(working("accepted", owed=(begins,)), run("accepted"))
    assert found == working("accepted")


# ---------------------------------------------------------------- word of the job
def test_a_change_of_the_job_is_reported_by_itself() -> None:
    """ORD-15 and ORD-16."""
    reader = Reader()
    _, then = reader(working("accepted"), run("running"))
    assert then == working("running")
    assert reader.counted == Counter(["ORD-15", "ORD-14"])
    assert Reader().wrong(working("running"), run("accepted")) == ["ORD-14", "ORD-15"]
    assert Reader().wrong(working("done"), run("running")) == ["ORD-14", "ORD-06"]
    assert Reader().wrong(working("running"), run("done", mark=MARK + 1)) == ["ORD-14", "ORD-08"]
    _, then = reader(working("running", mark=None), run("done", mark=MARK + 1))
    assert then == working("done", mark=MARK + 1)


@pytest.mark.parametrize("more", [{"act": "home"}, {"id": JOB + 1}, {"order_boot": BOOT + 1}])
def test_of_another_job_nothing_is_said(more: dict[str, Any]) -> None:
    assert Reader().wrong(working("running"), run("done") | more) == ["ORD-14", "ORD-14"]


def test_nor_of_one_before_it_was_answered_that_it_began() -> None:
    begins = owed(act="run", id=JOB, begins=True, outcomes=frozenset({Outcome("accepted", None, "ORD-15")}))
    assert "ORD-14" in Reader().wrong(working("accepted", owed=(begins,)), run("running"))
    assert Reader().wrong(working("accepted", owed=(owed(),)), run("running")) == []


@pytest.mark.parametrize(("before", "step", "past"), [("grip", "lift", True), ("grip", "grip", False),
                                                      ("lift", "lift", False), ("travel", "lift", False)])  # fmt: skip
def test_a_box_was_surely_picked_once_it_is_lifted(before: str, step: str, past: bool) -> None:
    """ORD-17: moved past return."""
    reader = Reader()
    reader.words.after(run("running", step=before))
    _, then = reader(working("running"), run("running", step=step))
    assert then == working("running", past_return=past)
    _, then = reader(working("running", past_return=True), run("running", step=step))
    assert then == working("running", past_return=True)
    reader.words.after(run("running"))
    _, then = reader(working("running"), run("running", step=step))
    assert then == working("running", past_return=past), "a report without a step changes none"
    reader.words.begin(BOOT)
    _, then = reader(working("running"), run("running", step=step))
    assert then == working("running")


@pytest.mark.parametrize(
    ("known", "body", "wrong"),
    [
        ({"job": None}, run("running"), ""),
        ({"job": None, "mark": None}, run("running"), ""),
        ({"job": None}, run("running", mark=MARK + 1), "ORD-14"),
        ({"job": None}, run("refused", reason="busy"), "ORD-14"),
        ({"job": None}, run("running", order_boot=BOOT + 1), "ORD-14"),
        ({"job": None}, claim(), "ORD-14"),
        ({"job": JOB, "job_states": frozenset({"running"})}, run("done"), ""),
        ({"job": JOB, "job_states": frozenset({"done"})}, run("failed"), "ORD-15"),
        ({"job": JOB + 1, "job_states": frozenset({"running"})}, run("running"), "ORD-14"),
        ({"job": 0}, run("running"), "ORD-14"),
    ],
)
def test_where_the_job_or_its_act_is_not_known_a_report_tells_it(
    known: dict[str, Any], body: dict[str, Any], wrong: str
) -> None:
    _, found = Reader()(state(**known), body)
    if wrong:
        assert isinstance(found, Mismatch)
        assert found.requirement == wrong
    else:
        assert isinstance(found, NodeState)
        assert (found.job, found.act, found.job_states) == (JOB, "run", frozenset({body["state"]}))


# ---------------------------------------------------------------- what was given up
def test_what_was_given_up_may_come_all_the_same() -> None:
    reader = Reader()
    reader.words.given("claim", (9,), 4)
    assert reader.wrong(state(), claim()) == ["ORD-14", "ORD-14"]
    reader.words.forgive()
    assert reader.wrong(state(), claim()) == []
    assert reader.wrong(state(), claim(id_=10)) == ["ORD-14", "ORD-14"]
    reader.words.given("claim", (9,), 5)
    assert reader.wrong(state(), claim()) == ["ORD-14", "ORD-14"], "one that came since is owed"
    assert [reader.words.knows("claim", 9), reader.words.knows("claim", 10), reader.words.knows("run", 9)] == [
        True, False, False,
    ]  # fmt: skip


def test_what_it_says_of_the_present_job_must_be_so() -> None:
    reader = Reader()
    reader.words.given("run", (JOB, JOB + 1), 4)
    reader.words.forgive()
    assert reader.wrong(working("done"), run("failed")) == ["ORD-15", "ORD-15"]
    assert reader.wrong(working("done"), run("done")) == []
    assert reader.wrong(working("done"), run("refused", reason="stale")) == []
    assert reader.wrong(working("done"), run("failed", JOB + 1)) == [], "of another job"
    assert reader.wrong(working("done"), run("failed", order_boot=BOOT + 1)) == [], "of another boot"


def test_who_passes_over_what_was_given_up_leaves_nothing_out() -> None:
    reader = Reader()
    reader.words.forgiven = 1
    assert reader.wrong(state(owed=(owed(1), owed(2, id=10))), claim(id_=10)) == ["ORD-14", "ORD-14"]
    assert reader.wrong(state(owed=(owed(2), owed(3, id=10))), claim(id_=10)) == ["ORD-01", "ORD-01"]


def test_of_the_names_of_orders_the_oldest_are_forgotten() -> None:
    reader = Reader()
    for number in range(GIVEN + 1):
        reader.words.given("claim", (number,), number)
    assert [reader.words.knows("claim", one) for one in (0, 1, GIVEN)] == [False, True, True]


def test_before_a_node_has_spoken_nothing_is_known_of_it() -> None:
    fresh = ReportWords(TOPICS, lambda *_: None)
    assert (fresh.boot, fresh.minor, fresh.uptime_known, fresh.passed_over) == (-1, None, True, None)
    assert fresh.forgiven < 0, "no order is forgiven"
    _, then = fresh.over(working("running"), run("running", step="lift", order_boot=-1))
    assert then == working("running")
