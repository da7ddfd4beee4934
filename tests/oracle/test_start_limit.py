"""The deadline of a job limits its start (ORD-23), judged report by report, a little inside and a little outside."""

from __future__ import annotations

from collections import Counter
from typing import Any

import pytest

from conformance.oracle.finding import Oracle
from conformance.oracle.start_limit import LATE_MS, StartLimit
from tests.oracle.messages import Said

DEADLINE = 10_000
CARRIERS = frozenset({"crane-status"})


class Followed:
    """One job, ordered with a deadline, and what is told of it."""

    def __init__(self) -> None:
        self.told: list[str] = []
        self.counted: Counter[str] = Counter()
        self.limit = StartLimit(self._tell, self.counted)
        self._said = Said()
        self.limit.came(5, DEADLINE)

    def _tell(self, requirement: str, what: str, _oracle: Oracle, _number: int) -> None:
        self.told.append(f"{requirement} {what}")

    def report(self, state: str, uptime: int, **more: Any) -> list[str]:
        message = self._said("job-report", act="park", id=5, state=state, uptime=uptime, **more)
        self.limit.said(message, CARRIERS)
        return self.told


@pytest.mark.parametrize(("behind", "wrong"), [(LATE_MS, False), (LATE_MS + 1, True)])
@pytest.mark.parametrize("word", ["accepted", "running"])
def test_a_start_may_be_a_little_behind_and_no_more(behind: int, wrong: bool, word: str) -> None:
    followed = Followed()
    if word == "running":
        followed.report("accepted", 9_000)
    assert bool(followed.report(word, DEADLINE + behind)) == wrong
    assert followed.counted["ORD-23"] == (1 if word == "accepted" else 2)


def test_what_had_started_before_may_go_on_behind_its_deadline() -> None:
    followed = Followed()
    followed.report("accepted", 9_000)
    followed.report("running", 9_500)
    assert followed.report("running", DEADLINE + 5_000) == []


@pytest.mark.parametrize(("left", "wrong"), [(0, False), (-1, False), (1, True)])
def test_it_fails_as_late_when_its_deadline_has_passed_and_not_before(left: int, wrong: bool) -> None:
    followed = Followed()
    assert bool(followed.report("failed", DEADLINE - left, reason="late")) == wrong
    assert followed.counted["ORD-23"] == 1


def test_a_failure_for_another_reason_tells_nothing_of_the_deadline() -> None:
    followed = Followed()
    assert followed.report("failed", 1_000, reason="held") == []
    assert followed.counted["ORD-23"] == 0


def test_two_deadlines_under_one_id_leave_it_open() -> None:
    followed = Followed()
    followed.limit.came(5, DEADLINE + 1)
    assert followed.report("accepted", DEADLINE + 9_000) == []


def test_of_many_orders_the_oldest_is_forgotten() -> None:
    followed = Followed()
    for number in range(6, 70):
        followed.limit.came(number, DEADLINE)
    assert followed.report("accepted", DEADLINE + 9_000) == []
    followed = Followed()
    for number in range(6, 69):
        followed.limit.came(number, DEADLINE)
    assert followed.report("accepted", DEADLINE + 9_000) != []


def test_a_job_that_was_late_before_the_uptime_was_set_is_not_judged_by_the_deadline_of_a_repeat() -> None:
    """A sound node repeats how the job ended; the fuzzer ordered it again with another deadline."""
    followed = Followed()
    followed.report("failed", DEADLINE + 5, reason="late")
    followed.limit.uptime_set()
    followed.limit.came(5, 900_000 + DEADLINE)
    assert followed.report("failed", 900_005, reason="late") == []
