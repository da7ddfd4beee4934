"""What must be so by the time an ask is answered, for the part of the judge that follows it."""

from __future__ import annotations

from collections import Counter
from typing import Any

import pytest

from conformance.oracle.fences import ASKS, BAD_MESSAGE_MS, Fences
from conformance.oracle.finding import Oracle
from conformance.oracle.order_checks import Arrived
from tests.oracle.messages import Said


class Followed:
    """A crane, and what is told of it."""

    def __init__(self) -> None:
        self.told: list[tuple[str, str]] = []
        self.counted: Counter[str] = Counter()
        self.fences = Fences(self._tell, self.counted)
        self.message = Said()

    def _tell(self, requirement: str, what: str, _oracle: Oracle, _number: int) -> None:
        self.told.append((requirement, what))

    def came(self, at_ms: float, *, readable: bool = True, sure: bool = True, **body: Any) -> None:
        self.message.number += 1
        self.fences.came(Arrived(self.message.number, at_ms, body, readable, sure))

    def says(self, name: str, **body: Any) -> None:
        self.fences.said(self.message(name, **body))

    def fence(self, at_ms: float, token: int = 1) -> None:
        self.came(at_ms, act="ask", token=token)
        self.says("job-report", act="ask", token=token, state="done", id=0)

    def job(self, state: str, id_: int = 4, **more: Any) -> None:
        self.says("job-report", act="park", id=id_, state=state, **more)

    def faults(self, count: int, **more: Any) -> None:
        self.says("fault", active=[], faults=count, **more)


@pytest.mark.parametrize(
    ("after_ms", "judged"), [(BAD_MESSAGE_MS - 1, 0), (BAD_MESSAGE_MS, 1)], ids=["too soon", "in time"]
)
def test_a_bad_message_has_been_told_of_at_the_first_answer_after_its_time(
    after_ms: float, judged: int
) -> None:
    followed = Followed()
    followed.came(0, readable=False)
    followed.fence(after_ms)
    assert len(followed.told) == judged == followed.counted["ENC-10"]
    followed.fence(after_ms + 10, 2)
    assert len(followed.told) <= 1, "once"


def test_one_that_was_told_of_and_one_that_may_not_have_come_are_fine() -> None:
    followed = Followed()
    followed.came(0, readable=False)
    followed.faults(0, changed="bad-message")
    followed.fence(BAD_MESSAGE_MS)
    assert (followed.told, followed.counted["ENC-10"]) == ([], 1)
    followed.came(5_000, readable=False, sure=False)
    followed.fence(9_000, 2)
    assert (followed.told, followed.counted["ENC-10"]) == ([], 1)


def test_of_asks_without_an_answer_the_oldest_is_forgotten() -> None:
    """Its answer is no fence any more: a bad message before it is judged at the next one."""
    followed = Followed()
    followed.came(0, readable=False)
    followed.came(BAD_MESSAGE_MS, act="ask", token=1)
    for token in range(2, ASKS + 2):
        followed.came(1_000, act="ask", token=token)
    followed.says("job-report", act="ask", token=1, state="done", id=0)
    assert followed.counted["ENC-10"] == 0
    followed.fence(BAD_MESSAGE_MS, ASKS + 2)
    assert followed.counted["ENC-10"] == 1


def test_a_job_that_failed_by_a_fault_has_been_counted_by_the_next_answer() -> None:
    followed = Followed()
    followed.faults(3)
    followed.job("accepted")
    followed.job("failed", reason="overtravel")
    followed.fence(1_000)
    assert followed.told == [("FLT-02", "job 4 failed, and the count of faults stayed 3")]


def test_the_count_of_faults_is_that_when_the_job_was_taken_first() -> None:
    """A report that comes twice takes no job again."""
    followed = Followed()
    followed.faults(3)
    followed.job("accepted")
    followed.faults(4)
    followed.job("accepted")
    followed.job("failed", reason="overtravel")
    followed.fence(1_000)
    assert followed.told == []


def test_a_job_under_another_id_is_taken_with_the_count_of_its_own() -> None:
    followed = Followed()
    followed.faults(3)
    followed.job("accepted")
    followed.job("running")
    followed.job("done")
    followed.faults(4)
    followed.job("accepted", 5)
    followed.job("failed", 5, reason="overtravel")
    followed.fence(1_000)
    assert followed.told == [("FLT-02", "job 5 failed, and the count of faults stayed 4")]


def test_what_is_said_of_a_job_before_any_count_is_known_blames_nobody() -> None:
    followed = Followed()
    followed.job("accepted")
    followed.faults(0)
    followed.job("failed", reason="overtravel")
    followed.fence(1_000)
    assert followed.told == []


@pytest.mark.parametrize(("act", "requirement"), [("claim", "CLM-03"), ("hold", "HLD-02"), ("ask", "FLT-02")])
def test_who_ended_the_job_says_which_rule_a_count_that_stays_breaks(act: str, requirement: str) -> None:
    followed = Followed()
    followed.faults(3)
    followed.job("accepted")
    followed.came(500, act=act, token=9)
    followed.job("failed", reason="overtravel")
    followed.fence(1_000)
    assert [one for one, _ in followed.told] == [requirement]


def test_the_answer_to_a_cancel_under_the_jobs_id_is_its_final_report() -> None:
    """ORD-17 asks for one report, and the table of the job for one; a second one under the job's act may come."""
    followed = Followed()
    followed.job("accepted")
    followed.came(100, act="cancel", id=5, ref=4)
    followed.says("job-report", act="cancel", id=4, state="cancelled", uptime=110)
    followed.says("crane-status", job=4, job_state="cancelled", held=False, uptime=120)
    followed.fence(200)
    followed.fence(300, 2)
    assert followed.told == []


def test_a_job_that_is_cancelled_and_never_reported_so_is_told() -> None:
    followed = Followed()
    followed.job("accepted")
    followed.says("crane-status", job=4, job_state="cancelled", held=False, uptime=120)
    followed.fence(200)
    followed.fence(300, 2)
    assert [requirement for requirement, _ in followed.told] == ["ORD-16"]
