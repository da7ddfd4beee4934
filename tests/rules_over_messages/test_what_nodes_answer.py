"""Rules of answers and jobs, each at its edges, and what a lost or late message excuses."""

from __future__ import annotations

from typing import Any

import pytest

from protocol.rules.jobs import ANSWER_GRACE_US, DOUBT_US, OVERTAKEN_US
from protocol.rules.order_history import ORDERS_KEPT
from protocol.site_file import scenario
from protocol.specification import specification
from tests.rules_over_messages.heard import BOOT, SECOND, Bus

SITE = scenario()
ID = 4096
ANSWER_US = specification().most_ms("answer") * 1000 + ANSWER_GRACE_US


def ordered(act: str = "park", node: str = "north", *, site: bool = False, **more: Any) -> Bus:
    """A node that was heard, and an order to it."""
    bus = Bus(SITE if site else None)
    for message in ("node-status", "fault", "crane-status"):
        bus.says(node, message)
    assert bus.order(node, act, id=ID, **more) == []
    return bus


# ---------------------------------------------------------------- answers in time
def test_an_order_is_answered_in_time() -> None:
    """ORD-01: within 200 ms; the next report tells whether one before it was lost."""
    for lost, told in ((False, ["ORD-01"]), (True, ["ORD-01?"])):
        bus = ordered("claim")
        number = bus.number
        bus.now += 10
        bus.says("north", "fault")
        assert bus.passes(ANSWER_US - 10) == []
        assert bus.passes(1) == []
        bus.order("north", "claim", id=2 * 4096)
        assert bus.report("south", "claim", 2 * 4096, "done", mark=2 * 4096) == []
        assert bus.report("north", "claim", 2 * 4096, "done", lost=lost, mark=2 * 4096) == told
        assert bus.found[-1].since == number
        assert bus.report("north", "claim", 2 * 4096, "done", mark=2 * 4096) == []


def test_who_says_no_report_at_all_is_waited_for_a_while() -> None:
    bus = ordered("park", deadline=30_000)
    bus.says("north", "fault")
    assert bus.passes(ANSWER_US + 1) == []
    assert bus.passes(DOUBT_US) == []
    assert bus.passes(1) == ["ORD-01"]
    assert bus.passes(DOUBT_US) == []
    bus = Bus()
    bus.order("north", "park", id=ID, deadline=30_000)
    assert bus.passes(ANSWER_US + 1) == []
    assert bus.passes(2 * DOUBT_US) == [], "it says nothing; that is told elsewhere"


@pytest.mark.parametrize(
    ("act", "again", "note"), [("resume", False, True), ("resume", True, False), ("claim", False, False)]
)
def test_a_resume_that_was_said_once_may_have_been_withdrawn(act: str, again: bool, note: bool) -> None:
    more = {"holds": 0} if act == "resume" else {}
    bus = ordered(act, **dict[str, Any](more))
    if again:
        bus.now += SECOND // 2
        bus.order("north", act, id=ID, **dict[str, Any](more))
    bus.now += 10
    bus.says("north", "fault")
    bus.passes(ANSWER_US)
    assert bus.passes(2 * DOUBT_US) == ["ORD-01" + "?" * note]


@pytest.mark.parametrize("ends", ["report", "cancel", "link", "forget", "hold", "hold to all", "of another"])
def test_what_was_answered_or_lost_with_its_connection_is_owed_no_more(ends: str) -> None:
    act, more = ("resume", {"holds": 0}) if "hold" in ends else ("park", {"deadline": 30_000})
    bus = ordered(act, **dict[str, Any](more))
    if ends == "report":
        bus.report("north", act, ID, "accepted", mark=ID)
    elif ends == "cancel":
        bus = ordered("cancel", ref=ID - 1)
        bus.report("north", "cancel", ID - 1, "cancelled", mark=ID)
    elif ends == "link":
        bus.says("north", "node-status", link=2)
    elif ends == "forget":
        bus.jobs.forget()
    elif ends == "hold":
        bus.order("north", "hold")
    elif ends == "hold to all":
        bus.order("all", "hold")
    else:
        bus.says("ferry", "node-status", link=5)
        bus.says("north", "node-status")
        bus.report("ferry", act, ID, "accepted")
    bus.now += 10
    bus.says("north", "fault")
    bus.passes(ANSWER_US)
    bus.says("north", "fault")
    told = [one.removesuffix("?") for one in bus.passes(2 * DOUBT_US)]
    assert ("ORD-01" in told) is (ends == "of another")


@pytest.mark.parametrize("act", ["claim", "park"])
def test_a_hold_withdraws_no_order_but_a_resume(act: str) -> None:
    more: dict[str, Any] = {} if act == "claim" else {"deadline": 30_000}
    bus = ordered(act, **more)
    bus.order("north", "hold")
    bus.order("all", "hold")
    bus.now += 10
    bus.says("north", "fault")
    bus.passes(ANSWER_US)
    assert bus.passes(2 * DOUBT_US) == ["ORD-01"]


def test_what_was_answered_once_may_be_said_again() -> None:
    """The answer to the repeat may be lost; that it was obeyed is known."""
    for act, under, more in (("resume", ID, {"holds": 0}), ("cancel", ID - 9, {"ref": ID - 9})):
        bus = ordered(act, **dict[str, Any](more))
        bus.report("north", act, under, "done")
        bus.order("north", act, id=ID, **dict[str, Any](more))
        bus.now += 10
        bus.says("north", "fault")
        bus.passes(ANSWER_US)
        assert bus.passes(2 * DOUBT_US) == []


def test_what_was_overdue_before_a_gap_is_told_no_more() -> None:
    bus = ordered("claim")
    bus.says("north", "fault")
    bus.passes(ANSWER_US + 1)
    bus.jobs.forget()
    assert bus.passes(2 * DOUBT_US) == []


def test_what_is_overdue_is_told_in_its_order_and_each_in_its_time() -> None:
    bus = ordered("claim")
    first = bus.number
    bus.says("north", "fault")
    bus.passes(ANSWER_US + 1)
    bus.order("north", "claim", id=2 * ID)
    bus.says("north", "fault")
    bus.passes(ANSWER_US + 1)
    assert bus.passes(DOUBT_US - ANSWER_US) == ["ORD-01"]
    assert bus.found[0].since == first
    bus = ordered("claim")
    bus.report("north", "park", ID + 5, "accepted")
    bus.now += 10
    bus.report("north", "park", ID + 6, "accepted")
    for number in (5, 6):
        assert bus.passes(OVERTAKEN_US - 9 if number == 5 else 10) == ["ORD-14"]
        assert f"for order {ID + number}," in bus.found[0].what


# ---------------------------------------------------------------- reports that fit no order
def test_a_report_on_what_nobody_gave_is_told_a_little_later() -> None:
    """ORD-14; an answer may be heard before its order."""
    bus = ordered("claim")
    assert bus.report("north", "park", ID + 5, "accepted") == []
    assert bus.passes(OVERTAKEN_US) == []
    assert bus.passes(1) == ["ORD-14"]
    bus = ordered("claim")
    bus.report("north", "park", ID + 5, "accepted")
    assert bus.order("north", "park", id=ID + 5, deadline=30_000) == []
    assert bus.passes(SECOND) == [], "it was overtaken, and was answered"
    bus.report("north", "claim", ID, "done")
    bus.says("north", "fault")
    assert bus.passes(2 * DOUBT_US) == bus.passes(2 * DOUBT_US) == []


@pytest.mark.parametrize(
    ("id_", "more", "told"), [(ID - 1, {}, False), (ID + 1, {}, True), (ID + 1, {"order_boot": 6}, False)]
)
def test_what_may_have_been_given_before_anybody_listened_is_not_told(
    id_: int, more: dict[str, int], told: bool
) -> None:
    bus = ordered("claim")
    bus.report("north", "park", id_, "accepted", **dict[str, Any](more))
    assert ("ORD-14" in bus.passes(SECOND)) is told
    fresh = Bus()
    fresh.report("north", "park", id_, "accepted", **dict[str, Any](more))
    assert fresh.passes(SECOND) == []
    named = ordered("cancel", ref=id_)
    named.report("north", "cancel", id_, "cancelled", **dict[str, Any](more))
    assert "ORD-14" not in named.passes(SECOND)


def test_a_report_says_the_act_of_its_order() -> None:
    """ORD-14; where a cancel names the job, or it was said again as another act, either."""
    bus = ordered("park", deadline=30_000)
    assert bus.report("north", "home", ID, "accepted") == ["ORD-14"]
    bus.order("north", "cancel", id=ID + 1, ref=ID)
    assert bus.report("north", "cancel", ID, "cancelled") == []
    bus = ordered("cancel", ref=ID + 1)
    bus.order("north", "park", id=ID + 1, deadline=30_000)
    assert bus.report("north", "cancel", ID + 1, "cancelled") == []


# ---------------------------------------------------------------- a job is taken
@pytest.mark.parametrize(("late_ms", "told"), [(800, []), (801, ["ORD-10"]), (-5, [])])
def test_a_late_job_is_not_taken(late_ms: int, told: list[str]) -> None:
    """ORD-10."""
    bus = ordered("park", deadline=10_000)
    assert bus.report("north", "park", ID, "accepted", uptime=10_000 + late_ms) == told
    bus = ordered("park", deadline=10_000)
    assert bus.report("north", "park", ID, "running", uptime=20_000) == [], "it was taken before"
    assert bus.report("north", "park", ID, "accepted", uptime=20_001) == ["ORD-15"]


def test_a_job_for_another_boot_is_not_obeyed() -> None:
    """ORD-05."""
    for word, told in (("accepted", ["ORD-05"]), ("running", ["ORD-05"]), ("refused", [])):
        bus = ordered("park", deadline=30_000, boot=6)
        assert bus.report("north", "park", ID, word, order_boot=6) == told
    bus = ordered("resume", holds=0, boot=6)
    assert bus.report("north", "resume", ID, "done", order_boot=6) == []


@pytest.mark.parametrize(
    ("first", "told"), [("accepted", ["ORD-12"]), ("running", ["ORD-12"]), ("done", []), ("refused", [])]
)
def test_one_job_at_a_time(first: str, told: list[str]) -> None:
    """ORD-12."""
    bus = ordered("park", deadline=30_000)
    bus.order("north", "home", id=ID + 1, deadline=30_000)
    bus.report("north", "park", ID, first)
    number = bus.number
    assert bus.report("north", "home", ID + 1, "accepted") == told
    assert [one.since for one in bus.found] == [number] * len(told)
    assert bus.report("north", "home", ID + 1, "accepted") == []


@pytest.mark.parametrize(
    ("held", "lost", "told"),
    [(True, False, True), (True, True, False), (False, False, False), (None, False, False)],
)
def test_a_held_node_takes_no_job(held: bool | None, lost: bool, told: bool) -> None:
    """HLD-03; its next state tells whether one before it was lost."""
    bus = ordered("park", deadline=30_000)
    if held is not None:
        bus.says("north", "crane-status", held=held, holds=1)
    held = bool(held)
    assert bus.report("north", "park", ID, "accepted") == []
    assert bus.says("ferry", "shuttle-status") == []
    assert bus.says("north", "crane-status", lost=lost, held=held, holds=1) == (["HLD-03"] if told else [])
    assert bus.says("north", "crane-status", held=held, holds=1) == []


def test_of_two_states_that_differ_no_hold_follows() -> None:
    bus = ordered("park", deadline=30_000)
    bus.says("north", "train-arrival")
    bus.says("north", "crane-status", held=True, holds=1)
    bus.report("north", "park", ID, "accepted")
    assert bus.says("north", "crane-status", held=True, holds=1) == []


# ---------------------------------------------------------------- a job goes on
@pytest.mark.parametrize(
    ("was", "is_", "told"),
    [
        ("accepted", "running", ""),
        ("running", "done", ""),
        ("running", "accepted", "ORD-15"),
        ("done", "running", "ORD-06"),
        ("done", "accepted", "ORD-06"),
        ("done", "failed", "ORD-15"),
        ("done", "done", ""),
        ("done", "refused", ""),
        ("failed", "running", "ORD-06"),
    ],
)
@pytest.mark.parametrize("by", ["report", "state"])
def test_a_job_goes_one_way(was: str, is_: str, told: str, by: str) -> None:
    """ORD-15 and ORD-06, by its reports and by the states that name it."""
    bus = ordered("park", deadline=30_000)
    bus.report("north", "park", ID, was)
    number = bus.number
    bus.now += 5_000
    if by == "report":
        found = bus.report("north", "park", ID, is_)
    else:
        found = bus.says("north", "crane-status", job=ID, job_state=is_)
    assert found == ([told] if told else [])
    assert [one.since for one in bus.found] == [number] * bool(told)


def test_uptime_orders_what_a_node_says() -> None:
    bus = ordered("park", deadline=30_000)
    bus.report("north", "park", ID, "done", uptime=5_000)
    assert bus.says("north", "crane-status", job=ID, job_state="running", uptime=4_999) == []
    assert bus.says("north", "crane-status", job=ID, job_state="running", uptime=5_000) == ["ORD-06"]
    bus = ordered("park", deadline=30_000)
    bus.report("north", "park", ID, "done", uptime=5_000)
    bus.order("north", "set-uptime", id=ID + 1, uptime=5)
    bus.report("north", "set-uptime", ID + 1, "done", uptime=5)
    assert bus.says("north", "crane-status", job=ID, job_state="running", uptime=6) == ["ORD-06"]


def test_of_the_orders_to_a_node_so_many_are_known() -> None:
    bus = Bus()
    for number in range(ORDERS_KEPT + 1):
        bus.order("north", "resume", id=number + 1, holds=0)
    orders = bus.history.node("north").orders
    assert (len(orders), next(iter(orders))[1]) == (ORDERS_KEPT, 2)
    assert bus.order("north", "resume", id=2, holds=0) == []


# ---------------------------------------------------------------- the boot of an order
def test_the_newest_words_are_those_of_the_present_boot() -> None:
    bus = ordered("park", deadline=30_000)
    bus.report("north", "park", ID, "running")
    known = bus.history.node("north")
    assert (known.boot, known.first_id, known.open_job() is not None) == (BOOT, ID, True)
    bus.says("north", "fault", boot=BOOT + 1)
    assert (known.boot, known.first_id, known.open_job(), list(known.words)) == (
        BOOT + 1,
        None,
        None,
        ["fault"],
    )
