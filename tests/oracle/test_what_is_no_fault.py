"""What a sound node may do is not held against it by its oracle."""

from __future__ import annotations

import pytest

from conformance.oracle.fences import BAD_MESSAGE_MS
from tests.oracle.lives import NEXT, held, resumed
from tests.oracle.script import Script
from tests.oracle.wrong_lives import Deed


def resumes_while_its_hold_is_open(script: Script) -> None:
    held(script)
    resumed(script)
    script.fence()


def may_lose_its_link_while_it_is_disturbed(script: Script) -> None:
    script.oracle.take(script.now)
    script.oracle.excuse(script.now)
    script.wait(11_900)
    script.connection = 2
    script.status["link"] += 1
    script.comes_up()
    script.fence()


def an_order_to_all_but_a_hold_is_a_bad_message(script: Script) -> None:
    script.order("ask", node="all", token=9)
    script.fault_says(active=["bad-message"], changed="bad-message", level="warn")
    script.wait(BAD_MESSAGE_MS + 1)
    script.fence()


def a_retained_order_is_none(script: Script) -> None:
    script.order("claim", boot=7, id=NEXT, retain=True)
    script.fence()


def a_fault_is_due_after_a_while_only(script: Script) -> None:
    script.order_bytes(b"{")
    script.wait(BAD_MESSAGE_MS - 10)
    script.fence()


def a_reset_of_faults_may_come_between(script: Script) -> None:
    script.order_bytes(b"{")
    script.order("reset-fault", boot=7, id=NEXT, faults=0)
    script.mark = NEXT
    script.report("reset-fault", NEXT)
    script.wait(BAD_MESSAGE_MS + 1)
    script.fence()


def what_comes_behind_an_ask_may_show_already(script: Script) -> None:
    token = script.ask()
    script.order("hold")
    script.shuttle |= {"held": True, "holds": 1}
    script.comes_up()
    script.says("job-report", act="ask", state="done", token=token)
    script.fence()


def a_repeated_job_is_told_again(script: Script) -> None:
    script.run(NEXT)
    script.order("run", boot=7, id=NEXT, deadline=script.deadline, to="quay-s")
    script.report("run", NEXT, "accepted", load="unsure")
    script.fence()


def a_claim_with_the_id_of_its_running_job_is_done_and_the_job_goes_on(script: Script) -> None:
    script.run(NEXT)
    script.report("run", NEXT, "running", step="travel", load="unsure")
    script.shuttle |= {"state": "moving", "place": "quay-n"}
    script.shuttle_says(place=None)
    script.claim(NEXT)
    script.fence()
    script.report("run", NEXT, load="unsure")
    script.shuttle_says(state="at-place", stop=2, place="quay-s")
    script.fence()


def memory_that_breathes_is_no_leak(script: Script) -> None:
    for number in range(60):
        script.status_says(memory=20_000 - 64 * (number % 12))
        script.fence()


@pytest.mark.parametrize(
    "deed",
    [
        resumes_while_its_hold_is_open,
        may_lose_its_link_while_it_is_disturbed,
        an_order_to_all_but_a_hold_is_a_bad_message,
        a_retained_order_is_none,
        a_fault_is_due_after_a_while_only,
        a_reset_of_faults_may_come_between,
        what_comes_behind_an_ask_may_show_already,
        a_repeated_job_is_told_again,
        a_claim_with_the_id_of_its_running_job_is_done_and_the_job_goes_on,
        memory_that_breathes_is_no_leak,
    ],
    ids=lambda deed: deed.__name__,
)
def test_what_a_sound_node_may_do_is_not_held_against_it(deed: Deed) -> None:
    script = Script()
    deed(script)
    assert script.words() == ""
