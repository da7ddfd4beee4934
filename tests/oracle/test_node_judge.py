"""The oracle of a node: silent about a sound one, and heard about the same one with one thing wrong."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import pytest

from conformance.oracle.finding import Oracle
from conformance.oracle.link_log import Log
from conformance.oracle.message_rules import MessageRules
from conformance.oracle.node_judge import NodeJudge
from protocol.codec import encode
from protocol.site import Encoding
from protocol.wire.packet import Publish
from tests.faulty_nodes.faulty import run_of
from tests.oracle.lives import NEXT, held, resumed
from tests.oracle.script import SITE, Script
from tests.oracle.wrong_lives import WRONG, Deed, answers_a_later_order_alone


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
