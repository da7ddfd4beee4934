"""For what a wrong message is told, by what came and what was said just before it."""

from __future__ import annotations

from typing import Any

import pytest

from tests.oracle.script import Script

NEXT = 256


def requirements(script: Script) -> list[str]:
    return [requirement for requirement, _ in script.found()]


def claimed() -> Script:
    script = Script()
    script.claim(NEXT)
    return script


def test_an_older_mark_behind_a_report_on_the_same_connection_is_one_of_the_state() -> None:
    script = claimed()
    script.mark = NEXT - 1
    script.shuttle_says()
    assert requirements(script) == ["MSG-11"]


def test_an_older_mark_on_a_new_connection_is_a_mark_that_was_lost() -> None:
    script = claimed()
    script.oracle.take(script.now)
    script.oracle.excuse(script.now)
    script.connection, script.mark = 2, 0
    script.status_says(link=4)
    assert requirements(script) == ["ORD-08"]


def test_a_mark_that_is_too_high_is_none_that_a_report_says_otherwise() -> None:
    script = claimed()
    script.mark = NEXT + 1
    script.shuttle_says()
    assert requirements(script) == ["ORD-08"]


@pytest.mark.parametrize(("job", "requirement"), [(NEXT - 1, "MSG-10"), (NEXT + 9, "ORD-09")])
def test_another_job_in_a_state_is_an_older_one_or_one_that_was_refused(job: int, requirement: str) -> None:
    script = Script()
    script.run(NEXT)
    script.shuttle_says(job=job, job_state="accepted")
    assert requirements(script) == [requirement]


def test_an_ended_job_that_runs_again_behind_its_repeat_is_done_twice() -> None:
    script = Script()
    script.run(NEXT)
    script.report("run", NEXT, "running", step="travel", load="unsure")
    script.report("run", NEXT, load="unsure")
    script.order("run", boot=7, id=NEXT, deadline=script.deadline, to="quay-s")
    script.shuttle_says(job=NEXT, job_state="running", state="at-place")
    assert requirements(script) == ["ORD-06"]


def test_an_answer_to_what_was_retained_alone_is_told_so_and_not_for_good() -> None:
    script = Script()
    script.order("claim", retain=True, boot=7, id=NEXT)
    script.report("claim", NEXT)
    script.report("claim", NEXT + 1)
    assert requirements(script) == ["LNK-14", "ORD-14"]


@pytest.mark.parametrize(("before", "after", "falls"), [(3, 2, True), (65_535, 0, False), (0, 65_535, True)])
def test_a_count_of_motor_starts_goes_up_and_round_and_never_down(
    before: int, after: int, falls: bool
) -> None:
    script = Script()
    script.run(NEXT)
    script.report("run", NEXT, "running", step="travel", load="unsure")
    script.status["starts"] = before
    script.status_says()
    script.oracle.take(script.now)
    script.oracle.findings.clear()
    script.status_says(starts=after)
    assert requirements(script) == (["BEN-03"] if falls else [])


@pytest.mark.parametrize(
    ("act", "fields", "requirement"),
    [
        ("hold", {}, "HLD-02"),
        ("claim", {"boot": 7, "id": 2 * NEXT}, "CLM-03"),
        ("ask", {"token": 5}, "ORD-15"),
    ],
)
def test_a_job_that_is_cancelled_by_no_cancel_goes_against_what_came_last(
    act: str, fields: dict[str, Any], requirement: str
) -> None:
    script = Script()
    script.run(NEXT)
    script.oracle.take(script.now)
    script.order(act, **fields)
    script.report("run", NEXT, "cancelled", load="unsure")
    assert requirements(script)[:1] == [requirement]
