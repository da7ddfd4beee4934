"""The edges of what a supervisor can know: silence, another boot, older words, and orders one after another."""

from __future__ import annotations

from typing import Any

import pytest

from conformance.oracle.supervisor_knowledge import Doubt, Known, SupervisorKnowledge
from protocol.specification import specification
from protocol.wire.packet import Publish
from tests.oracle.script import SITE
from tests.oracle.test_supervisor_knowledge import CLAIM, STATES, Line

SILENCE_MS = specification().most_ms("state_silence")


# ---------------------------------------------------------------- before anything was said
def test_of_a_node_that_has_said_nothing_nothing_is_known() -> None:
    known = Line().known
    assert (known.boot, known.mark, known.uptime, known.heard_ms, known.doubted) == (None, 0, 0, None, None)
    assert (known.since_ms, known.answered, known.token_came) == (0.0, False, False)
    assert (known.owned, known.highest, known.earlier) == (0, 0, frozenset())
    assert known.doubt(10 * SILENCE_MS) is None, "SUP-27 is about a node that was heard"


# ---------------------------------------------------------------- silence
@pytest.mark.parametrize(("after_ms", "silent"), [(SILENCE_MS, False), (SILENCE_MS + 1, True)])
def test_a_node_is_doubted_after_its_silence(after_ms: float, silent: bool) -> None:
    """SUP-27."""
    known = Known(heard_ms=700.0)
    told = Doubt(700.0 + SILENCE_MS, "SUP-27")
    assert known.doubt(700.0 + after_ms) == (told if silent else None)
    assert known.doubted is None, "to ask is no message of the node"


def test_the_first_doubt_stays() -> None:
    first = Doubt(5.0, "SUP-28")
    assert Known(heard_ms=700.0, doubted=first).doubt(700.0 + 2 * SILENCE_MS) == first
    assert Known(heard_ms=700.0, doubted=first).doubt(701.0) == first


def test_a_word_behind_a_silence_does_not_end_the_doubt_and_an_answer_does() -> None:
    """SUP-27."""
    line = Line()
    line.introduced()
    heard_ms = line.known.heard_ms
    assert heard_ms is not None
    line.now += SILENCE_MS
    line.hears("fault")
    assert line.known.doubted == Doubt(heard_ms + SILENCE_MS, "SUP-27")
    line.introduced()
    assert line.known.doubted is None


# ---------------------------------------------------------------- words
def test_a_word_of_just_the_claim_counts_and_one_without_a_mark_does_not() -> None:
    """A fault message carries no mark."""
    line = Line()
    line.introduced()
    line.claims(1)
    for message in STATES:
        line.hears(message, **dict[str, Any]({} if message == "fault" else {"mark": 1}))
    assert [name for name in STATES if line.known.word(name)] == ["node-status", "shuttle-status"]


def test_a_mark_or_an_uptime_that_is_left_out_changes_nothing() -> None:
    line = Line()
    line.hears("fault", uptime=0)
    assert (line.known.mark, line.known.uptime) == (0, 0)
    line.hears("shuttle-status", mark=7, uptime=9)
    line.hears("fault", uptime=10)
    assert (line.known.mark, line.known.uptime) == (7, 10)


def test_uptime_goes_on_from_0_behind_its_wrap() -> None:
    """MSG-08."""
    line = Line()
    line.known.uptime = 2**32 - 2
    line.hears("fault", uptime=3)
    assert line.known.uptime == 3


def test_the_answer_to_an_ask_of_somebody_else_is_no_token_that_came() -> None:
    """SUP-01."""
    line = Line()
    line.sends("ask", boot=None, token=1)
    line.hears("job-report", act="ask", state="done", token=2)
    assert not line.known.token_came
    line.hears("job-report", act="ask", state="done", token=1)
    assert (line.known.token_came, line.known.answered) == (True, False)
    line.hears("job-report", act="ask", state="done", token=2)
    assert line.known.token_came, "it has come"


# ---------------------------------------------------------------- another boot
def test_another_boot_is_that_of_now_by_an_ask_as_late_as_this_boot() -> None:
    """SUP-28: the answer to an ask that is older than what is known of this boot may come late."""
    line = Line()
    line.introduced()
    line.sends("ask", boot=None, token=2)
    asked_ms = line.now
    for since_ms, is_ in ((asked_ms + 1, 7), (asked_ms, 8)):
        line.known.since_ms = since_ms
        line.hears("job-report", boot=8, act="ask", state="done", token=2)
        assert line.known.boot == is_
    assert (line.known.since_ms, line.known.earlier) == (line.now, frozenset({7}))


def test_an_answer_in_another_boot_to_an_ask_of_nobody_does_not_make_it_that_of_now() -> None:
    line = Line()
    line.introduced()
    line.hears("job-report", boot=8, act="ask", state="done", token=99)
    assert (line.known.boot, line.known.doubted) == (7, Doubt(line.now, "SUP-28"))
    first = line.now
    line.hears("fault", boot=9)
    assert line.known.doubted == Doubt(first, "SUP-28"), "since the first of them"


def test_the_boot_of_before_is_known_again_with_what_was_asked_meanwhile() -> None:
    line = Line()
    line.introduced()
    line.sends("ask", boot=None, token=2)
    line.hears("job-report", boot=8, act="ask", state="done", token=2)
    line.sends("ask", boot=None, token=3)
    line.hears("fault")
    assert line.known.boot == 8
    line.hears("job-report", act="ask", state="done", token=3)
    assert (line.known.boot, line.known.earlier) == (7, frozenset({7, 8}))
    assert line.known.asked_ms.keys() == {1, 2, 3}


def test_before_a_boot_is_known_no_order_crosses_its_end() -> None:
    line = Line()
    assert not line.sends("ask", boot=None, token=1).crosses_reset
    line.introduced()
    line.hears("job-report", boot=8, act="ask", state="done", token=1)
    assert not line.sends("ask", boot=None, token=2).crosses_reset, "an ask names no boot"


# ---------------------------------------------------------------- orders in one look
def test_what_goes_to_strangers_and_past_them_is_gone_through_to_the_end() -> None:
    line = Line()
    line._pass("stranger", "job-order", {"act": "ask", "token": 1}, from_node=True)
    line._pass(
        "ferry", "fault", {"boot": 7, "seq": 0, "uptime": 1, "active": [], "faults": 0}, from_node=False
    )
    line._pass("ferry", "job-order", {"act": "ask", "token": 2}, from_node=True)
    given = list(SupervisorKnowledge(SITE).orders(line.log, 0))
    assert [(one.node, one.body["token"], one.known.boot) for one in given] == [("ferry", 2, 7)]


def test_the_last_trace_that_is_asked_for_is_given() -> None:
    line = Line()
    for token in (1, 2):
        line._pass("ferry", "job-order", {"act": "ask", "token": token}, from_node=True)
    assert [one.body["token"] for one in SupervisorKnowledge(SITE).orders(line.log, 0, until=2)] == [1, 2]
    assert [one.body["token"] for one in SupervisorKnowledge(SITE).orders(line.log, 0, until=1)] == [1]


def test_a_claim_that_is_said_again_is_no_new_order() -> None:
    """ORD-06: a repeat is the same order."""
    line = Line()
    line.introduced()
    line.claims()
    first = line.known.claims[CLAIM]
    assert not line.sends("claim", id=CLAIM).is_new
    assert line.known.claims[CLAIM] is first
    assert line.sends("claim", id=2 * CLAIM).is_new


def test_a_claim_with_a_token_is_owned_where_the_report_names_it_or_nobody() -> None:
    """SUP-30; a node of minor version 0 names nobody."""
    for claimant, owned in ((4, CLAIM), (5, 0), (None, CLAIM)):
        line = Line()
        line.introduced()
        line.sends("claim", id=CLAIM, token=4)
        named: dict[str, Any] = {} if claimant is None else {"claimant": claimant}
        line.hears("job-report", act="claim", state="done", id=CLAIM, mark=CLAIM, **named)
        assert line.known.owned == owned


def test_a_job_with_the_id_of_a_claim_can_be_obeyed_no_more() -> None:
    """SUP-08; ORD-07: only what is above the mark."""
    line = Line()
    line.introduced()
    line.runs(CLAIM)
    line.runs(CLAIM + 1)
    line.claims(CLAIM)
    assert list(line.known.jobs) == [CLAIM + 1]


def test_a_report_on_a_job_of_nobody_changes_nothing() -> None:
    line = Line()
    line.introduced()
    line.claims()
    line.runs()
    line.hears("job-report", act="run", state="done", id=CLAIM + 2, load="unsure")
    assert list(line.known.jobs) == [CLAIM + 1]


def test_what_is_on_no_topic_of_the_protocol_is_nobodys() -> None:
    line = Line()
    packet = Publish("weather/today", b"rain", 1, False, False, 1)
    line.log.add(connection=1, at_ms=1.0, from_node=True, size=9, packet=packet)
    assert line.sends("ask", boot=None, token=1).node == "ferry"
