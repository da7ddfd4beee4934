"""What a line or a link may have lost, before the judge of a node: what is forgiven, and what is held all the same."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from conformance.oracle.fences import BAD_MESSAGE_MS
from conformance.oracle.node_judge import OVERTAKEN_MS
from tests.oracle.script import Script, told
from tests.oracle.test_what_a_judge_reads_in_one_look import NEXT, watched

Deed = Callable[[Script], object]


class Line:
    """Tells how often something was seen to be lost on it."""

    def __init__(self) -> None:
        self.lost = 0

    def __call__(self) -> int:
        return self.lost


def reconnects(script: Script) -> None:
    script.connection += 1
    script.status_says(link=script.status["link"] + 1)


def after(how: str, deed: Deed, **more: Any) -> list[str]:
    """What is told of a deed: of a sound node ('sound'), behind a loss ('lost'), or on a new connection ('new')."""
    line = Line()
    script = watched(damaged=line, **more)
    script.wait(1_500)
    script.comes_up()
    if how == "new":
        reconnects(script)
    assert told(script) == []
    if how == "lost":
        line.lost += 1
    deed(script)
    return told(script)


# ---------------------------------------------------------------- what comes in the same look as a loss
def test_what_is_read_with_a_loss_may_rest_on_what_was_lost() -> None:
    """HLD-01: a hold that nobody gave, or one that was lost here."""

    def deed(script: Script) -> None:
        script.shuttle_says(held=True, holds=3)

    assert "HLD-01" in after("sound", deed)
    assert after("lost", deed) == []


def test_a_loss_counts_though_nothing_was_said_since() -> None:
    line = Line()
    script = watched(damaged=line)
    line.lost += 1
    assert (told(script), script.oracle.lost) == ([], True)


def test_a_seq_behind_a_loss_may_have_left_one_out() -> None:
    """MSG-07."""

    def deed(script: Script) -> None:
        script._seqs["fault"] += 1
        script.comes_up()

    assert "MSG-07" in after("sound", deed)
    assert "MSG-07" not in after("lost", deed)


@pytest.mark.parametrize(("how", "wrong"), [("sound", True), ("lost", False), ("new", False)])
def test_a_clock_is_followed_anew_where_messages_may_have_been_under_way(how: str, wrong: bool) -> None:
    """MSG-08: uptime counts milliseconds."""

    def deed(script: Script) -> None:
        script.uptime_ahead += 3_000
        for _ in range(3):
            script.comes_up()
            script.wait(1_500)
        script.comes_up()

    assert ("MSG-08" in after(how, deed)) is wrong


@pytest.mark.parametrize("how", ["sound", "lost", "new"])
def test_a_setting_of_the_uptime_that_may_be_lost_is_not_waited_for(how: str) -> None:
    """BEN-04."""
    line = Line()
    script = watched(damaged=line)
    script.order("set-uptime", boot=script.boot, id=NEXT, uptime=400_000)
    told(script)
    assert script.oracle._settings.open
    if how == "lost":
        line.lost += 1
    if how == "new":
        reconnects(script)
    told(script)
    assert script.oracle._settings.open is (how == "sound")


@pytest.mark.parametrize("how", ["sound", "missed", "lost", "new"])
def test_a_fault_that_was_owed_may_have_been_told_in_what_is_lost(how: str) -> None:
    """ENC-10: a message that cannot be read raises a fault."""
    line = Line()
    script = watched(damaged=line)
    script.order_bytes(b"{")
    told(script)
    if how == "missed":
        script.oracle.missed_reports(script.now)
    if how == "lost":
        line.lost += 1
        told(script)
    if how == "new":
        reconnects(script)
    script.wait(BAD_MESSAGE_MS + 1)
    script.fence()
    assert bool(told(script)) is (how == "sound")


# ---------------------------------------------------------------- reports that a listener missed
@pytest.mark.parametrize(("missed", "wrong"), [(False, ["ORD-01"]), (True, [])])
def test_an_answer_that_a_listener_may_have_missed_is_owed_no_more(missed: bool, wrong: list[str]) -> None:
    """ORD-02: answers come in the order of what came."""
    script = watched(listening=True)
    script.order("claim", boot=script.boot, id=NEXT)
    script.mark = NEXT
    script.comes_up()
    assert told(script) == []
    script.wait(OVERTAKEN_MS + 500)
    if missed:
        script.oracle.missed_reports(script.now)
    script.order("claim", boot=script.boot, id=NEXT + 1)
    script.mark = NEXT + 1
    script.report("claim", NEXT + 1)
    assert told(script) == wrong


@pytest.mark.parametrize(
    ("listening", "how", "ago_ms", "open_"),
    [
        (True, "missed", OVERTAKEN_MS - 100, True),
        (True, "missed", OVERTAKEN_MS + 100, False),
        (True, "new", OVERTAKEN_MS - 100, True),
        (True, "new", OVERTAKEN_MS + 100, False),
        (False, "new", 100, False),
    ],
)
def test_an_order_is_on_its_way_no_more(listening: bool, how: str, ago_ms: float, open_: bool) -> None:
    """ORD-08: the mark is raised by an order alone; a listener may hear one before its connection."""
    script = watched(listening=listening)
    script.order("claim", boot=script.boot, id=NEXT)
    told(script)
    script.wait(ago_ms)
    if how == "new":
        reconnects(script)
    else:
        script.oracle.missed_reports(script.now)
    script.comes_up()
    assert told(script) == []
    script.mark = NEXT
    script.comes_up()
    assert (told(script) == []) is open_


# ---------------------------------------------------------------- connections
@pytest.mark.parametrize("listening", [True, False])
def test_each_connection_begins_with_a_word_of_the_node(listening: bool) -> None:
    """LNK-08."""
    script = watched(listening=listening)
    before = script.oracle.judged["LNK-08"]
    reconnects(script)
    script.comes_up()
    told(script)
    assert script.oracle.judged["LNK-08"] == before + 1


def test_an_order_over_a_connection_that_is_over_never_came() -> None:
    """HLD-01: else the node would have to be held."""
    for back, wrong in ((1, False), (0, True)):
        script = watched()
        reconnects(script)
        script.comes_up()
        script.connection -= back
        script.order("hold")
        script.connection += back
        script.fence()
        assert bool(told(script)) is wrong


# ---------------------------------------------------------------- a machine that stood still
@pytest.mark.parametrize(("asks", "wrong"), [(1, True), (2, False), (3, False)])
def test_one_order_is_never_too_many_at_once(asks: int, wrong: bool) -> None:
    """ORD-19: what came while the test machine stood still came all at once."""
    script = watched(stalled=lambda _begin, _end: 5.0)
    for _ in range(asks):
        script.order("claim", boot=script.boot, id=NEXT + asks)
    script.wait(3_000)
    script.comes_up()
    assert ("ORD-01" in told(script)) is wrong


def test_where_nothing_waits_a_stall_forgives_nothing() -> None:
    """ORD-14: each report answers an order."""
    script = watched(stalled=lambda _begin, _end: 5.0)
    script.claim(NEXT)
    script.comes_up()
    script.report("claim", NEXT)
    assert "ORD-14" in told(script)


# ---------------------------------------------------------------- what an order tells the parts of the judge
def test_the_order_before_a_motor_start_tells_what_it_breaks() -> None:
    """ORD-04: an ask moves nothing; ORD-20 where nothing came."""
    for asks, told_of in ((True, "ORD-04"), (False, "ORD-20")):
        script = watched()
        script.status_says()
        if asks:
            script.ask()
        script.status_says(starts=1)
        assert told(script) == [told_of]


def test_a_run_ends_where_it_was_sent_to() -> None:
    """ORD-16."""
    for place, stop, wrong in (("quay-s", 2, []), ("quay-n", 2, ["ORD-16"])):
        script = watched()
        script.run(NEXT, to="quay-s")
        script.report("run", NEXT, "running", step="travel", load="unsure")
        script.shuttle_says(state="moving", place=None)
        script.report("run", NEXT, load="unsure")
        script.shuttle_says(state="at-place", place=place, stop=stop)
        assert [one for one in told(script) if one == "ORD-16"] == wrong


@pytest.mark.parametrize(("sets", "wrong"), [(True, False), (False, True)])
def test_behind_a_setting_of_the_uptime_no_deadline_has_surely_passed(sets: bool, wrong: bool) -> None:
    """ORD-10."""
    script = watched()
    script.wait(1_900)
    script.comes_up()
    past = int(script.now) - 1_000
    if sets:
        script.order("set-uptime", boot=script.boot, id=NEXT, uptime=past - 500)
    script.order("run", boot=script.boot, id=NEXT + 1, deadline=past, to="quay-s")
    if sets:
        script.uptime_ahead = past - 500 - int(script.now)
        script.mark = NEXT
        script.report("set-uptime", NEXT)
    script.mark = NEXT + 1
    script.report("run", NEXT + 1, "accepted", load="unsure")
    assert ("ORD-10" in told(script)) is wrong


@pytest.mark.parametrize(("rate", "wrong"), [(2, False), (0, True)])
def test_the_last_of_many_orders_may_be_lost_too(rate: float, wrong: bool) -> None:
    """ORD-19."""
    script = watched(rate=rate)
    for number in range(6):
        script.order("claim", boot=script.boot, id=NEXT + number)
    script.wait(3_000)
    script.comes_up()
    assert ("ORD-01" in told(script)) is wrong
