"""What must be so by the time an ask is answered: faults and jobs in step, ends reported in time, memory kept."""

from __future__ import annotations

from collections import Counter
from typing import Any

import pytest

from conformance.oracle.fences import BAD_MESSAGE_MS, END_MS, Fences
from conformance.oracle.finding import Oracle
from conformance.oracle.memory_trend import SAMPLES
from conformance.oracle.order_checks import Arrived
from tests.oracle.messages import Said


class Node:
    """A crane, and what is told of it: requirement and oracle."""

    def __init__(self) -> None:
        self.told: list[tuple[str, Oracle]] = []
        self.words: list[str] = []
        self.counted: Counter[str] = Counter()
        self.fences = Fences(self._tell, self.counted)
        self.message = Said()
        self._token = 0

    def _tell(self, requirement: str, what: str, oracle: Oracle, number: int) -> None:
        self.told.append((requirement, oracle))
        self.words.append(what)
        assert number == self.message.number

    def found(self) -> list[tuple[str, Oracle]]:
        told, self.told = self.told, []
        return told

    def comes(
        self, act: str, at_ms: float = 0.0, *, readable: bool = True, sure: bool = True, **more: Any
    ) -> None:
        self.message.number += 1
        self.fences.came(Arrived(self.message.number, at_ms, {"act": act} | more, readable, sure))

    def says(self, name: str, **body: Any) -> None:
        self.fences.said(self.message(name, **body))

    def fence(self, at_ms: float = 0.0) -> None:
        self._token += 1
        self.comes("ask", at_ms, token=self._token)
        self.answers(self._token)

    def answers(self, token: int) -> None:
        self.says("job-report", act="ask", token=token, state="done", id=0)

    def job(self, state: str, id_: int = 4, **more: Any) -> None:
        self.says("job-report", act="park", id=id_, state=state, **{"uptime": 0} | more)

    def stands(self, job_state: str, job: int = 4, uptime: int = 0) -> None:
        self.says("crane-status", job=job, job_state=job_state, uptime=uptime)

    def faults(self, count: int, *active: str, **more: Any) -> None:
        self.says("fault", active=list(active), faults=count, **more)


JOB, FAULT = Oracle.JOB, Oracle.FAULT


# ---------------------------------------------------------------- the fence itself
def test_the_newest_ask_that_was_answered_is_known() -> None:
    node = Node()
    assert node.fences.answered == 0
    node.fence()
    node.comes("ask", token=44)
    assert node.fences.answered == 1
    node.answers(44)
    assert node.fences.answered == 44
    node.answers(55)
    assert node.fences.answered == 55, "one of somebody else tells as well that the node answers"


def test_an_answer_without_its_ask_is_no_fence() -> None:
    node = Node()
    node.comes("claim", readable=False)
    node.answers(9)
    node.comes("ask", 9_000.0, token=9)
    assert node.counted["ENC-10"] == 0
    node.fences.reconnected()
    node.answers(9)
    assert (node.counted["ENC-10"], node.fences.bad) == (0, False)


# ---------------------------------------------------------------- what cannot be read
def test_what_cannot_be_read_is_told_of_by_a_fault() -> None:
    """ENC-10: an order that a node cannot read raises the fault 'bad-message'."""
    for told in (
        {"active": ["bad-message"]},
        {"active": [], "changed": "bad-message"},
        {"active": ["boot-lost"]},
    ):
        node = Node()
        node.comes("claim", readable=False)
        assert [node.fences.bad] == [True]
        node.says("fault", faults=0, **told)
        node.fence(BAD_MESSAGE_MS)
        fine = "boot-lost" not in str(told)
        assert (node.found(), node.counted["ENC-10"]) == ([] if fine else [("ENC-10", FAULT)], 1)
        assert not node.fences.bad
        node.fence(3 * BAD_MESSAGE_MS)
        assert (node.found(), node.counted["ENC-10"]) == ([], 1), "once"


def test_each_that_cannot_be_read_needs_a_fault_of_its_own() -> None:
    node = Node()
    node.faults(0, changed="bad-message")
    node.comes("claim", readable=False)
    node.fence(BAD_MESSAGE_MS)
    assert node.found() == [("ENC-10", FAULT)]


@pytest.mark.parametrize("then", ["reset-fault", "reconnected", "new_boot"])
def test_nothing_is_owed_where_the_fault_may_have_come_and_gone(then: str) -> None:
    node = Node()
    node.comes("claim", readable=False)
    if then == "reset-fault":
        node.comes(then)
    else:
        getattr(node.fences, then)()
    node.fence(BAD_MESSAGE_MS)
    assert (node.found(), node.counted["ENC-10"], node.fences.bad) == ([], 0, False)


# ---------------------------------------------------------------- faults that halt
def test_a_fault_that_halts_ends_the_job() -> None:
    """FLT-02: a fault of level halt ends the open job as 'failed', stops the machine and raises the fault count."""
    for word, fine in (("running", False), ("accepted", False), ("failed", True), ("done", True)):
        node = Node()
        node.faults(0)
        node.job("running")
        node.faults(1)
        node.stands(word)
        node.fence()
        assert (node.found(), node.counted["FLT-02"]) == ([] if fine else [("FLT-02", FAULT)], 1)
        node.fence()
        assert node.counted["FLT-02"] == 1


def test_it_is_the_job_that_was_running_then() -> None:
    node = Node()
    node.faults(0)
    node.job("running", 4)
    node.faults(1)
    node.job("failed", 4)
    node.job("accepted", 5)
    node.stands("running", 5)
    node.fence()
    assert node.found() == []
    for first, last in (("accepted", "running"), ("running", "done")):
        node = Node()
        node.faults(0)
        node.job(first)
        if last == "done":
            node.job(last)
        node.faults(1)
        node.stands("running")
        node.fence()
        assert node.counted["FLT-02"] == 0, "none was running"


def test_a_warning_or_the_first_word_of_faults_halts_nothing() -> None:
    """FLT-03."""
    node = Node()
    node.job("running")
    node.faults(3)
    node.faults(3, "bad-message")
    node.stands("running")
    node.fence()
    assert node.counted["FLT-02"] == 0


def test_only_an_ask_that_came_behind_it_tells() -> None:
    node = Node()
    node.faults(0)
    node.job("running")
    node.comes("ask", token=90)
    node.faults(1)
    node.stands("running")
    node.answers(90)
    assert node.counted["FLT-02"] == 0
    node.fence()
    assert node.found() == [("FLT-02", FAULT)]


# ---------------------------------------------------------------- jobs that fail
@pytest.mark.parametrize(
    ("reason", "count", "told"),
    [("fault", 3, True), ("fault", 4, False), (None, 3, True), ("late", 3, False)],
)
def test_a_job_that_fails_by_a_fault_raises_the_count(reason: str | None, count: int, told: bool) -> None:
    """FLT-02; ORD-23: one that is late at its start fails by no fault."""
    node = Node()
    node.faults(3)
    node.job("accepted")
    more: dict[str, Any] = {} if reason is None else {"reason": reason}
    node.job("failed", **more)
    node.faults(count)
    node.fence()
    assert node.found() == ([("FLT-02", FAULT)] if told else [])
    assert node.counted["FLT-02"] == (reason != "late")
    node.fence()
    assert node.counted["FLT-02"] == (reason != "late")


def test_who_was_asked_before_it_failed_is_not_done_with_it() -> None:
    node = Node()
    node.faults(3)
    node.job("accepted")
    node.comes("ask", token=90)
    node.job("failed")
    node.answers(90)
    assert node.found() == []
    node.faults(4)
    node.fence()
    assert node.found() == []


@pytest.mark.parametrize(
    ("acts", "requirement"),
    [
        ([], "FLT-02"),
        (["claim"], "CLM-03"),
        (["hold"], "HLD-02"),
        (["hold", "claim"], "CLM-03"),
        (["resume"], "FLT-02"),
    ],
)
def test_a_job_that_fails_behind_what_ends_none_goes_against_that(acts: list[str], requirement: str) -> None:
    """CLM-03: a claim ends no job; HLD-02: hold ends no job."""
    node = Node()
    node.comes("claim")
    node.fence()
    node.faults(3)
    node.job("accepted")
    for act in acts:
        node.comes(act)
    node.job("failed")
    node.fence()
    assert node.found() == [(requirement, FAULT)]


def test_a_job_that_nobody_saw_begin_tells_nothing_of_the_count() -> None:
    node = Node()
    node.faults(3)
    node.job("running")
    node.job("failed")
    node.fence()
    node.job("accepted", 5)
    node.job("failed", 6)
    node.fence()
    assert (node.found(), node.counted["FLT-02"]) == ([], 0)


def test_a_refusal_is_no_word_of_a_job() -> None:
    node = Node()
    node.faults(3)
    node.job("accepted")
    node.job("refused", 5, reason="busy")
    node.says("job-report", act="claim", id=4, state="failed", uptime=0)
    node.stands("accepted")
    node.fence()
    assert (node.found(), node.counted) == ([], Counter())


# ---------------------------------------------------------------- every change is reported
@pytest.mark.parametrize("word", ["done", "failed", "cancelled"])
def test_an_end_is_reported(word: str) -> None:
    """ORD-16: every change of a job's state when it happens; its report may be just behind the first answer."""
    node = Node()
    node.job("running")
    node.stands(word)
    node.fence()
    assert (node.found(), node.counted["ORD-16"]) == ([], 1)
    node.fence()
    assert (node.found(), node.counted["ORD-16"]) == ([("ORD-16", JOB)], 2)
    assert node.words == [f"job 4 is {word!r}, and the last report said 'running'"]
    node.fence()
    assert (node.found(), node.counted["ORD-16"]) == ([], 2)


def test_an_end_that_was_reported_is_fine() -> None:
    node = Node()
    node.job("accepted")
    node.job("running")
    node.job("done")
    node.stands("done")
    for _ in range(3):
        node.fence()
    assert node.found() == []
    assert node.counted["ORD-16"] == 4, "the change, and every fence since"


def test_a_report_just_behind_the_answer_is_in_time_and_another_end_begins_anew() -> None:
    node = Node()
    node.job("running")
    node.stands("done")
    node.fence()
    node.job("done")
    node.fence()
    node.job("running", 5)
    node.stands("done", 5)
    node.fence()
    assert node.found() == []
    node.fence()
    assert node.found() == [("ORD-16", JOB)]


def test_of_a_job_whose_beginning_nobody_heard_no_end_is_asked_for() -> None:
    node = Node()
    node.stands("done")
    node.fence()
    node.fence()
    node.job("running", 5)
    node.stands("running", 5)
    node.fence()
    assert (node.found(), node.counted["ORD-16"]) == ([], 0)


@pytest.mark.parametrize(
    ("first", "last", "told"),
    [
        ("accepted", "done", True),
        ("accepted", "failed", False),
        ("running", "done", False),
        ("accepted", "cancelled", False),
    ],
)
def test_a_job_is_said_to_be_running_before_it_is_done(first: str, last: str, told: bool) -> None:
    """ORD-15: through accepted, running and one final state."""
    node = Node()
    node.job(first)
    node.job(first)
    assert node.counted["ORD-16"] == 0
    node.job(last)
    assert node.found() == ([("ORD-16", JOB)] if told else [])
    assert node.counted["ORD-16"] == 1


@pytest.mark.parametrize(("behind", "told"), [(END_MS, False), (END_MS + 1, True)])
def test_the_report_of_an_end_comes_with_the_state_that_says_it(behind: int, told: bool) -> None:
    """ORD-16, by the node's own time."""
    for since in (100, 2**32 - 50):
        node = Node()
        node.job("running")
        node.stands("done", uptime=since)
        node.stands("done", uptime=since + 90)
        node.job("done", uptime=(since + behind) % 2**32)
        assert node.found() == ([("ORD-16", JOB)] if told else [])


@pytest.mark.parametrize("then", ["set-uptime", "other", "open", "unheard", "reconnected"])
def test_no_time_is_judged_that_was_set_or_is_that_of_another_job(then: str) -> None:
    node = Node()
    if then != "unheard":
        node.job("running")
    node.stands("running" if then == "open" else "done", 5 if then == "other" else 4, uptime=100)
    if then == "set-uptime":
        node.comes(then)
    if then == "reconnected":
        node.fences.reconnected()
    node.job("done", uptime=9_000)
    assert node.found() == []


# ---------------------------------------------------------------- memory
def test_memory_that_sinks_is_told_at_a_fence() -> None:
    """MSG-13: a node that can tell its free memory says so."""
    for boots in (False, True):
        node = Node()
        for number in range(SAMPLES):
            if boots and number == SAMPLES // 2:
                node.fences.new_boot()
            node.says("node-status", memory=20_000 - 64 * number)
            node.fence()
        assert node.found() == ([] if boots else [("MSG-13", Oracle.MEMORY)])
    node.says("node-status")
    node.fence()
    assert node.found() == []
