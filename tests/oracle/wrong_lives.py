"""Lives with one thing wrong: what, and which oracle has to notice."""

from __future__ import annotations

from collections.abc import Callable

from conformance.oracle.fences import BAD_MESSAGE_MS
from conformance.oracle.finding import Oracle
from tests.oracle.lives import NEXT, held, resumed
from tests.oracle.script import Script

WRONG: list[tuple[str, Oracle, Callable[[Script], object]]] = []
Deed = Callable[[Script], object]


def breaks(requirement: str, oracle: Oracle) -> Callable[[Deed], Deed]:
    """What is wrong, and which oracle has to notice."""

    def enter(deed: Deed) -> Deed:
        WRONG.append((requirement, oracle, deed))
        return deed

    return enter


@breaks("ENC-01", Oracle.MESSAGE)
def says_what_is_no_message(script: Script) -> None:
    script.says_bytes("fault", b"{")


@breaks("LNK-03", Oracle.CONNECTION)
def loses_a_sound_link(script: Script) -> None:
    script.connection = 2
    script.status_says(link=4)


@breaks("MSG-05", Oracle.RESTART)
def starts_again_by_itself(script: Script) -> None:
    script.boot, script.connection = 8, 2
    script.comes_up()


@breaks("MSG-08", Oracle.UPTIME)
def its_clock_runs_away(script: Script) -> None:
    script.uptime_ahead = 2000
    for _ in range(3):
        script.fence()
        script.wait(1500)


@breaks("MSG-07", Oracle.RULE)
def leaves_a_seq_out(script: Script) -> None:
    script._seqs["shuttle-status"] += 1
    script.shuttle_says()


@breaks("HLD-05", Oracle.HOLD)
def ends_its_hold_by_itself(script: Script) -> None:
    held(script)
    script.fence()
    script.shuttle_says(held=False)


@breaks("HLD-05", Oracle.HOLD)
def ends_its_second_hold_by_the_first_resume(script: Script) -> None:
    held(script)
    script.fence()
    resumed(script)
    script.fence()
    script.order("hold")
    script.shuttle_says(held=True, holds=2)
    script.shuttle_says(held=False)


@breaks("HLD-01", Oracle.HOLD)
def overlooks_a_hold(script: Script) -> None:
    script.order("hold")
    script.shuttle_says()
    script.fence()


@breaks("HLD-01", Oracle.HOLD)
def is_held_by_nobody(script: Script) -> None:
    script.shuttle_says(held=True, holds=1)
    script.fence()


@breaks("ORD-04", Oracle.MARK)
def raises_its_mark_by_itself(script: Script) -> None:
    script.mark = 1
    script.fence()


@breaks("MSG-11", Oracle.ANSWER)
def says_an_older_mark_than_its_report(script: Script) -> None:
    script.claim(NEXT)
    script.mark = 0
    script.status_says()
    script.mark = NEXT


@breaks("HLD-01", Oracle.HOLD)
def counts_a_hold_and_is_not_held(script: Script) -> None:
    script.order("hold")
    script.shuttle_says(held=False, holds=1)


@breaks("HLD-01", Oracle.HOLD)
def counts_its_second_hold_late(script: Script) -> None:
    held(script)
    script.fence()
    resumed(script)
    script.order("hold")
    script.shuttle_says(held=True, holds=1)


@breaks("HLD-05", Oracle.HOLD)
def stays_held_behind_its_resume(script: Script) -> None:
    held(script)
    script.fence()
    script.order("resume", boot=7, id=NEXT, holds=1)
    script.mark = NEXT
    script.report("resume", NEXT)
    script.shuttle_says()


@breaks("MSG-10", Oracle.ANSWER)
def names_no_job_after_one(script: Script) -> None:
    script.run(NEXT)
    script.report("run", NEXT, "running", step="travel", load="unsure")
    script.report("run", NEXT, load="unsure")
    script.shuttle_says(job=None, job_state=None)


@breaks("MSG-10", Oracle.ANSWER)
def names_an_ended_job_as_running(script: Script) -> None:
    script.run(NEXT)
    script.report("run", NEXT, "running", step="travel", load="unsure")
    script.report("run", NEXT, load="unsure")
    script.claim(2 * NEXT)
    script.shuttle_says(job=NEXT, job_state="running")


@breaks("ORD-06", Oracle.JOB)
def refuses_the_repeat_of_its_last_job(script: Script) -> None:
    script.run(NEXT)
    script.report("run", NEXT, "running", step="travel", load="unsure")
    script.report("run", NEXT, load="unsure")
    script.order("run", boot=7, id=NEXT, deadline=script.deadline, to="quay-s")
    script.report("run", NEXT, "refused", reason="stale")


@breaks("CLM-01", Oracle.ANSWER)
def refuses_a_claim_above_its_mark(script: Script) -> None:
    script.order("claim", boot=7, id=NEXT)
    script.mark = NEXT
    script.report("claim", NEXT, "refused", reason="stale")


@breaks("BEN-03", Oracle.MOTION)
def counts_its_motor_starts_down(script: Script) -> None:
    script.run(NEXT)
    script.report("run", NEXT, "running", step="travel", load="unsure")
    script.status_says(starts=3)
    script.status_says(starts=2)


@breaks("ORD-08", Oracle.MARK)
def does_not_raise_its_mark(script: Script) -> None:
    script.order("claim", boot=7, id=NEXT)
    script.report("claim", NEXT)
    script.fence()


@breaks("ORD-20", Oracle.MOTION)
def switches_a_motor_on_for_nothing(script: Script) -> None:
    script.claim(NEXT)
    script.fence()
    script.status_says(starts=1)
    script.fence()


@breaks("ORD-09", Oracle.JOB)
def has_a_job_that_nobody_ordered(script: Script) -> None:
    script.shuttle_says(job=5, job_state="running")
    script.fence()


@breaks("ORD-06", Oracle.JOB)
def does_a_job_twice(script: Script) -> None:
    script.run(NEXT)
    script.report("run", NEXT, "running", step="travel", load="unsure")
    script.report("run", NEXT, load="unsure")
    script.order("run", boot=7, id=NEXT, deadline=script.deadline, to="quay-s")
    script.report("run", NEXT, "accepted", load="unsure")


@breaks("ORD-06", Oracle.JOB)
def goes_on_with_its_last_job_over_a_second_connection(script: Script) -> None:
    """What came over the first is answered or not, and what a job was is known all the same."""
    script.run(NEXT)
    script.report("run", NEXT, "running", step="travel", load="unsure")
    script.report("run", NEXT, load="unsure")
    script.found()
    script.oracle.excuse(script.now)
    script.connection = 2
    script.status_says(link=4)
    script.shuttle_says()
    script.report("run", NEXT, "running", step="travel", load="unsure")


@breaks("ORD-16", Oracle.JOB)
def leaves_running_out(script: Script) -> None:
    script.run(NEXT)
    script.report("run", NEXT, load="unsure")


@breaks("ORD-16", Oracle.JOB)
def reports_the_end_half_a_second_late(script: Script) -> None:
    script.run(NEXT)
    script.report("run", NEXT, "running", step="travel", load="unsure")
    script.shuttle_says(state="at-place", stop=2, place="quay-s", job_state="done")
    script.wait(500)
    script.report("run", NEXT, load="unsure")


@breaks("FLT-01", Oracle.FAULT)
def counts_a_fault_that_is_not_among_the_active(script: Script) -> None:
    script.fault_says(faults=1, changed="stop-missed", level="halt")


@breaks("ORD-15", Oracle.JOB)
def goes_back_in_its_job(script: Script) -> None:
    script.run(NEXT)
    script.report("run", NEXT, "running", step="travel", load="unsure")
    script.report("run", NEXT, "accepted", load="unsure")


@breaks("ORD-15", Oracle.JOB)
def ends_a_job_in_two_ways(script: Script) -> None:
    script.run(NEXT)
    script.report("run", NEXT, "running", step="travel", load="unsure")
    script.report("run", NEXT, "done", load="unsure")
    script.report("run", NEXT, "failed", load="unsure", reason="fault")


@breaks("ORD-01", Oracle.ANSWER)
def answers_a_later_order_alone(script: Script) -> None:
    script.order("claim", boot=7, id=NEXT)
    script.mark = 2 * NEXT
    script.order("claim", boot=7, id=2 * NEXT)
    script.report("claim", 2 * NEXT)


@breaks("ORD-01", Oracle.ANSWER)
def answers_an_ask_before_what_came_first(script: Script) -> None:
    script.run(NEXT)
    script.order("run", boot=7, id=NEXT + 1, deadline=script.deadline, to="quay-s")
    script.mark = NEXT + 1
    script.fence()


@breaks("ORD-14", Oracle.ANSWER)
def reports_under_an_id_that_never_came(script: Script) -> None:
    script.order("claim", boot=7, id=NEXT)
    script.mark = NEXT
    script.report("claim", NEXT)
    script.report("claim", NEXT + 1)


@breaks("ORD-14", Oracle.ANSWER)
def answers_an_ask_that_never_came(script: Script) -> None:
    script.says("job-report", act="ask", state="done", token=5)


@breaks("ENC-10", Oracle.ANSWER)
def answers_what_cannot_be_read(script: Script) -> None:
    script.order_bytes(b'{"act":"claim","id":512,"boot":7')
    script.report("claim", 512)


@breaks("ENC-10", Oracle.FAULT)
def raises_no_fault_for_what_cannot_be_read(script: Script) -> None:
    script.order_bytes(b"{")
    script.wait(BAD_MESSAGE_MS + 1)
    script.fence()


@breaks("CLM-02", Oracle.ANSWER)
def takes_a_claim_below_its_mark(script: Script) -> None:
    script.claim(2 * NEXT)
    script.order("claim", boot=7, id=NEXT)
    script.report("claim", NEXT)


@breaks("ORD-07", Oracle.ANSWER)
def refuses_for_another_reason(script: Script) -> None:
    script.claim(2 * NEXT)
    script.order("run", boot=7, id=NEXT, deadline=script.deadline, to="quay-s")
    script.report("run", NEXT, "refused", reason="busy")


@breaks("ORD-10", Oracle.ANSWER)
def refuses_as_late_what_is_not(script: Script) -> None:
    script.order("run", boot=7, id=NEXT, deadline=script.deadline, to="quay-s")
    script.mark = NEXT
    script.report("run", NEXT, "refused", reason="late")


@breaks("MSG-02", Oracle.HEARTBEAT)
def repeats_no_state(script: Script) -> None:
    script.wait(1500)
    script.status_says()
    script.fault_says()
    script.wait(1500)
    script.status_says()


@breaks("MSG-13", Oracle.MEMORY)
def loses_memory_at_every_ask(script: Script) -> None:
    for free in range(20_000, 20_000 - 64 * 60, -64):
        script.status_says(memory=free)
        script.fence()
