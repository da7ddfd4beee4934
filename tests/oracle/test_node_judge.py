"""The oracle of a node: silent about a sound one, and heard about the same one with one thing wrong."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import replace

import pytest

from conformance.oracle.fences import BAD_MESSAGE_MS
from conformance.oracle.finding import Oracle
from conformance.oracle.link_log import Log
from conformance.oracle.message_rules import MessageRules
from conformance.oracle.node_judge import NodeJudge
from protocol.codec import encode
from protocol.site import Encoding
from protocol.wire.packet import Publish
from tests.faulty_nodes.faulty import run_of
from tests.oracle.script import SITE, Script

NEXT = 256


def held(script: Script) -> None:
    script.order("hold")
    script.shuttle_says(held=True, holds=1)


def resumed(script: Script, id_: int = NEXT) -> None:
    script.order("resume", boot=7, id=id_, holds=1)
    script.mark = id_
    script.report("resume", id_)
    script.shuttle_says(held=False)


def test_a_sound_life_breaks_nothing() -> None:
    script = Script(fresh=True)
    script.claim(NEXT)
    script.order("reset-fault", boot=7, id=NEXT + 1, faults=0, place="quay-n")
    script.mark += 1
    script.report("reset-fault", NEXT + 1)
    script.shuttle_says(state="at-place", stop=1, place="quay-n")
    script.run(NEXT + 2)
    script.report("run", NEXT + 2, "running", step="travel", load="unsure")
    script.shuttle_says(job=NEXT + 2, job_state="running", state="moving", place=None)
    script.fence()
    script.status_says(starts=1)
    held(script)
    script.fence()
    resumed(script, NEXT + 3)
    script.report("run", NEXT + 2, load="unsure")
    script.shuttle_says(state="at-place", stop=2, place="quay-s", job_state="done")
    script.order("cancel", boot=7, id=NEXT + 4, ref=NEXT + 3)
    script.mark += 1
    script.report("cancel", NEXT + 3, "refused", reason="stale")
    script.fence()
    script.order("set-uptime", boot=7, id=NEXT + 5, uptime=400_000)
    script.mark += 1
    script.uptime_ahead = 400_000 - int(script.now)
    script.report("set-uptime", NEXT + 5)
    script.fence()
    assert script.words() == ""


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


@pytest.mark.parametrize(
    ("requirement", "oracle", "deed"),
    WRONG,
    ids=[deed.__name__ for _, _, deed in WRONG],
)
def test_each_oracle_notices_what_it_is_for(requirement: str, oracle: Oracle, deed: Deed) -> None:
    script = Script()
    deed(script)
    assert set(script.found()) == {(requirement, oracle)}, script.words()


def test_every_oracle_is_tried() -> None:
    assert {oracle for _, oracle, _ in WRONG} == set(Oracle)


# ------------------------------------------------------------------------------ what is nobody's fault
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


def test_beyond_the_promised_rate_orders_may_get_lost() -> None:
    """ORD-19: of five orders in a second, at a rate of four, none need be answered; of four each must be."""
    for rate, lost in ((4, False), (5, True), (0, True)):
        script = Script(rate=rate)
        script.wait(1001)
        for number in range(1, 5):
            script.order("claim", boot=7, id=NEXT * number)
        script.mark = NEXT * 4
        script.fence()
        assert (("ORD-01", Oracle.ANSWER) in script.found()) is lost, rate


def test_after_a_reset_on_purpose_the_old_connection_is_past() -> None:
    script = Script()
    script.oracle.take(script.now)
    script.oracle.restarted()
    script.fault_says(faults=9)
    script.boot, script.connection = 8, 2
    script._seqs.clear()
    script.comes_up()
    script.fence()
    assert script.words() == ""


def test_an_answer_that_is_missing_is_told_once() -> None:
    script = Script()
    answers_a_later_order_alone(script)
    script.fence()
    script.claim(3 * NEXT)
    script.fence()
    assert script.found() == [("ORD-01", Oracle.ANSWER)]


def test_what_is_learnt_at_a_fence_holds_from_then_on() -> None:
    """Mark, holds, job and starts are those of the fence: the same words once more break nothing."""
    script = Script()
    script.claim(2 * NEXT)
    held(script)
    script.fence()
    script.oracle.take(script.now)
    known = script.oracle.known
    assert (known.mark, known.holds, known.boot, known.job, known.sure) == (2 * NEXT, 1, 7, None, True)
    assert script.oracle.uptime_at(script.now + 40) == int(script.now) + 39
    [one] = script.oracle.may_be
    assert (one.mark, one.held, one.holds, one.job, one.open, one.may_move) == (
        2 * NEXT,
        True,
        1,
        0,
        False,
        False,
    )
    assert script.oracle.fenced == 102
    script.shuttle_says()
    script.fence()
    assert script.words() == ""
    assert (script.oracle.reports, script.oracle.faults, script.oracle.dead) == (4, 0, False)


def test_a_node_that_answers_nothing_is_dead() -> None:
    script = Script()
    script.oracle.tell_dead()
    assert script.found() == [("ORD-03", Oracle.ANSWER)]
    assert script.oracle.dead


def test_its_faults_and_states_are_those_said_last_in_this_boot() -> None:
    script = Script()
    script.fault_says(active=["bad-message"], faults=3)
    script.shuttle_says(stop=0)
    script.found()
    assert script.oracle.faults == 3
    assert script.oracle.states["fault"]["active"] == ["bad-message"]
    script.boot, script.connection = 8, 2
    script._seqs.clear()
    script.status_says()
    script.found()
    assert set(script.oracle.states) == {"node-status"}


@pytest.mark.parametrize(("away_ms", "told"), [(11_999, False), (12_000, True)])
def test_a_disturbed_link_excuses_for_twelve_seconds(away_ms: float, told: bool) -> None:
    script = Script()
    script.found()
    before = script.oracle.silent_is_fine
    script.oracle.excuse(script.now)
    assert (before, script.oracle.silent_is_fine) == (False, True)
    script.wait(away_ms)
    script.connection = 2
    script.status_says(link=4)
    assert (("LNK-03", Oracle.CONNECTION) in script.found()) is told
    assert script.oracle.silent_is_fine is True, "for another second after it came back"


@pytest.mark.parametrize(("gap_ms", "told"), [(2095, False), (2105, True)])
def test_a_state_is_due_a_tenth_of_a_second_behind_its_time(gap_ms: float, told: bool) -> None:
    script = Script()
    script.shuttle_says()
    script.wait(gap_ms - 5)
    script.status_says()
    script.wait(4)
    script.shuttle_says()
    assert (("MSG-02", Oracle.HEARTBEAT) in script.found()) is told


@pytest.mark.parametrize(
    ("off_ms", "told"), [(0, False), (1250, False), (1500, True), (-1250, False), (-1500, True)]
)
def test_a_clock_may_be_a_second_and_a_twentieth_off(off_ms: int, told: bool) -> None:
    """Over 7 s: 1000 ms and 5 % of it, 1350 ms."""
    script = Script()
    script.comes_up()
    script.found()
    for step in range(8):
        script.uptime_ahead = off_ms * min(step, 4) // 4
        script.wait(997)
        script.comes_up()
    assert (("MSG-08", Oracle.UPTIME) in script.found()) is told


def crane_says(*changes: dict[str, object]) -> set[tuple[str, Oracle]]:
    """What is held against a crane that says its state, once for each of these changes."""
    run = run_of("north", only=("link-says-on", "orders-ask"))
    run.perform()
    log = run.fixture.log
    oracle = NodeJudge(log, SITE, "north")
    said = log.latest("crane-status")
    assert said is not None
    body = dict(said.body)
    for number, change in enumerate(changes, 1):
        body |= change | {"seq": said.body["seq"] + number}
        packet = Publish(said.topic, encode("crane-status", body, Encoding.JSON), 1, True, False, 1)
        log.add(connection=1, at_ms=log.traces[-1].at_ms, from_node=True, size=99, packet=packet)
    oracle.take(log.traces[-1].at_ms)
    assert all(message.body for message in log.messages)
    return {(one.requirement, one.oracle) for one in oracle.findings if one.oracle is Oracle.MOTION}


CLOSED = {"spreader": "closed", "load": "box"}


@pytest.mark.parametrize(
    ("first", "then", "told"),
    [
        (CLOSED, {"spreader": "open"}, True),
        (CLOSED, {"spreader": "moving"}, True),
        (CLOSED, {"spreader": "closed"}, False),
        (CLOSED, {"spreader": "open", "job": 5, "job_state": "running"}, False),
        (CLOSED, {"spreader": "open", "job": 5, "job_state": "done"}, True),
        (CLOSED | {"load": "none"}, {"spreader": "open"}, False),
        ({"spreader": "open", "load": "box"}, {"spreader": "moving"}, False),
    ],
)
def test_a_spreader_with_a_box_opens_in_a_job_alone(
    first: dict[str, object], then: dict[str, object], told: bool
) -> None:
    """CRN-12."""
    assert crane_says(first, then) == ({("CRN-12", Oracle.MOTION)} if told else set())


@pytest.mark.parametrize(
    ("since", "told"),
    [((), True), (("stimulus",), False), (("reset-fault",), False), (("transfer",), True)],
)
def test_a_transfer_that_is_done_is_held_to_an_empty_spreader_while_nothing_fills_it(
    since: tuple[str, ...], told: bool
) -> None:
    """CRN-10: a transfer that is asked for again is answered with the load of now."""
    found: list[str] = []
    rules = MessageRules(
        SITE, "north", lambda requirement, _what, _oracle, _at: found.append(requirement), Counter()
    )
    rules.came({"act": "transfer", "id": NEXT})
    for act in since:
        rules.came({"act": act, "id": NEXT})
    log = run_of("north", only=()).fixture.log
    body = {"act": "transfer", "id": NEXT, "state": "done", "load": "box", "boot": 7, "mark": NEXT}
    packet = Publish(
        "yw1/harlow-basin/north/job-report", encode("job-report", body, Encoding.JSON), 1, True, False, 1
    )
    log.add(connection=1, at_ms=0, from_node=True, size=99, packet=packet)
    rules.said(replace(log.messages[-1], body=body), steady=True)
    assert found == (["CRN-10"] if told else [])


def test_a_reset_on_purpose_forgets_every_fence() -> None:
    script = Script()
    script.found()
    assert script.oracle.fenced > 0
    script.oracle.restarted()
    assert (script.oracle.fenced, script.oracle.reports, script.oracle.known.sure) == (0, 0, False)


def test_a_job_that_was_taken_may_have_ended_by_now() -> None:
    script = Script()
    script.run(NEXT)
    script.shuttle_says(job=NEXT, job_state="accepted")
    script.found()
    [one] = script.oracle.may_be
    assert (script.oracle.known.job, one.act, one.open, one.may_move) == (NEXT, "run", None, True)


def test_who_has_said_no_minor_version_is_asked_for_everything() -> None:
    """Silence excuses from nothing; who says 1.0 is not asked for what came later."""
    told = "a promise that nothing keeps"
    oracle = NodeJudge(Log(), SITE, "ferry", 0)
    oracle.tell("ORD-21", told, Oracle.ANSWER)
    assert [one.requirement for one in oracle.findings] == ["ORD-21"]
    older = Script().oracle
    older.tell("ORD-21", told, Oracle.ANSWER)
    assert older.findings == []
