"""What a set of states makes of what was lost, settled or too much: nothing is told that it may explain."""

from __future__ import annotations

from math import inf

import pytest

from conformance.oracle.node_state import NodeState
from conformance.oracle.state_set import MOST, WIDEST
from tests.oracle.test_a_set_of_states import Life, told


# ---------------------------------------------------------------- what is forgiven
def test_over_a_new_connection_what_came_before_is_handled_or_lost() -> None:
    life = Life()
    life.claim(256, 100.0)
    life.claim(512, 900.0)
    life.set.reconnected()
    assert {(one.mark, one.handled) for one in life.set.states} == {(0, 2), (256, 2), (512, 2)}
    assert not life.set.waiting
    assert life.set.overdue(9_000.0, 200.0) is None
    assert life.reports(256, mark=512) == "", "it may come all the same"


def test_what_came_later_may_have_come_over_the_new_connection() -> None:
    life = Life()
    life.claim(256, 100.0)
    life.claim(512, 900.0)
    life.set.reconnected(900.0)
    assert life.set.waiting
    assert life.set.overdue(1_200.0, 200.0) is None
    assert life.marks == {512}, "it was handled, whatever became of its report"
    life = Life()
    life.claim(256, 100.0)
    life.claim(512, 900.0)
    life.set.reconnected(900.0)
    assert life.says(mark=0) == "", "the first was lost, and the second is on its way"


def test_a_reconnection_ends_what_was_too_much_only_where_the_link_is_seen() -> None:
    for before_ms, ended in ((inf, True), (500.0, False)):
        life = Life()
        life.claim(256, 100.0)
        life.set.lost_some()
        life.set.reconnected(before_ms)
        assert life.set.widened is not ended


def test_what_came_too_fast_may_be_lost_each_by_itself() -> None:
    """ORD-19."""
    life = Life()
    life.claim(256, 100.0)
    life.claim(512, 100.0)
    life.set.doubt()
    assert life.set.overdue(9_000.0, 200.0) is None
    life = Life()
    life.claim(256, 100.0)
    life.says(mark=256)
    life.set.doubt()
    assert life.set.overdue(9_000.0, 200.0) is None, "its report may be lost too"
    assert life.says(mark=256) == ""


def test_what_is_settled_was_handled_or_never_will_be() -> None:
    life = Life()
    life.claim(256, 100.0)
    life.claim(512, 200.0)
    life.set.settle(100.0)
    assert life.set.backlog == 2, "what came at that instant is not before it"
    life.set.settle(200.0)
    assert {one.handled for one in life.set.states} <= {1, 2}
    assert life.set.reports.forgiven == 1
    assert told(life.set.overdue(9_000.0, 200.0)) == "ORD-01"


def test_a_report_that_was_owed_is_settled_too() -> None:
    life = Life()
    life.claim(256, 100.0)
    life.says(mark=256)
    life.set.settle(100.0)
    assert life.set.waiting
    life.set.settle(101.0)
    assert (life.set.waiting, life.set.reports.forgiven, life.marks) == (False, 1, {256})
    before = life.set.states
    life.set.settle(500.0)
    assert (life.set.states, life.set.reports.forgiven) == (before, 1)


def test_where_too_much_was_open_it_is_settled_what_waits() -> None:
    life = Life()
    life.claim(256, 100.0)
    life.set.lost_some()
    life.claim(512, 300.0)
    life.set.settle(200.0)
    assert not life.set.widened
    assert (life.set.states, life.set.end, life.set.backlog) == ([NodeState(handled=1, roles=(None,))], 2, 1)


def test_nothing_is_known_of_what_is_forgotten_and_nothing_owed() -> None:
    life = Life()
    life.claim(256, 100.0)
    life.set.forget()
    assert (life.set.states, life.set.waiting) == ([NodeState(handled=1, roles=(None,))], False)
    assert life.reports(256) == ""
    assert life.reports(512) == "ORD-14"


# ---------------------------------------------------------------- too much is open
def test_while_too_much_is_open_nothing_is_told_and_all_is_waited_for() -> None:
    life = Life()
    life.set.lost_some()
    assert (life.set.widened, life.set.waiting, life.set.sure) == (True, True, False)
    assert (life.reports(9), life.says(mark=77, held=True), life.says("fault", faults=4)) == ("", "", "")
    assert life.set.overdue(9_000.0, 1.0) is None
    assert not Life().set.widened


def test_a_later_ask_ends_it_with_all_before_it_handled() -> None:
    """ORD-02."""
    life = Life()
    life.set.lost_some()
    life.claim(256, 10.0)
    life.comes("ask", 20.0, token=9)
    life.claim(512, 30.0)
    assert (life.reports(256), life.set.widened) == ("", True)
    assert (life.answers(8), life.set.widened) == ("", True), "of another token"
    assert life.answers(9) == ""
    assert not life.set.widened
    assert (life.set.states, life.set.backlog) == ([NodeState(handled=2, roles=(None,))], 1)
    assert life.set.reports.forgiven == 2
    assert told(life.set.overdue(9_000.0, 200.0)) == "ORD-01"


def test_an_ask_before_it_was_too_much_ends_nothing() -> None:
    life = Life()
    life.comes("ask", token=9)
    life.set.lost_some()
    assert life.answers(9) == ""
    assert life.set.widened
    life.comes("ask", token=10)
    life.set.lost_some()
    assert life.answers(10) == ""
    assert life.set.widened


def test_a_report_is_no_answer_to_an_ask_of_that_token() -> None:
    life = Life()
    life.set.lost_some()
    life.comes("ask", token=9)
    assert life.reports(9, act="run", token=9) == ""
    assert life.set.widened


@pytest.mark.parametrize("lost", [MOST, WIDEST])
def test_however_much_may_be_lost_the_set_stays_small(lost: int) -> None:
    life = Life()
    for number in range(1, lost + 1):
        life.claim(256 * number, float(number), sure=False)
    assert life.says(mark=256 * lost) == ""
    assert len(life.set.states) <= MOST or life.set.widened


def test_while_too_much_is_open_what_waits_is_no_more_than_so_much() -> None:
    life = Life()
    life.set.lost_some()
    for number in range(1, WIDEST + 2):
        life.claim(256 * number, float(number))
    assert (life.set.end, life.set.waits_since_ms) == (WIDEST + 1, float(WIDEST + 1))


# ---------------------------------------------------------------- in the midst of a life
def lived() -> Life:
    """One claim came and was answered, so that the orders that wait are not counted from the first."""
    life = Life()
    life.claim(256, 50.0)
    assert life.reports(256) == ""
    return life


def test_what_came_too_fast_is_lost_or_not_in_what_is_said_later() -> None:
    life = lived()
    life.claim(512, 100.0)
    life.set.doubt()
    assert life.set.overdue(9_000.0, 200.0) is None
    assert life.says(mark=256) == "", "it was lost"
    life = lived()
    life.claim(512, 100.0)
    assert life.says(mark=512) == ""
    life.set.doubt()
    life.claim(768, 120.0)
    assert life.reports(768) == "", "the report to the one before was lost"
    assert life.reports(512, mark=768) == "", "or comes late"


def test_settled_orders_are_counted_from_the_first() -> None:
    life = lived()
    life.claim(512, 100.0)
    life.claim(768, 300.0)
    life.set.settle(200.0)
    assert {one.handled for one in life.set.states} == {2, 3}
    assert life.says(mark=256) == "ORD-08", "what was settled was handled, for it was not lost"
    life = lived()
    life.set.lost_some()
    life.claim(512, 100.0)
    life.claim(768, 300.0)
    life.set.settle(200.0)
    assert life.set.states == [NodeState(handled=2, roles=(None,))]
    assert (life.set.waits_since_ms, life.set.backlog, life.set.reports.forgiven) == (300.0, 1, 2)


def test_so_are_those_before_a_fence() -> None:
    life = lived()
    life.set.lost_some()
    life.claim(512, 100.0)
    life.comes("ask", 200.0, token=9)
    life.claim(768, 300.0)
    assert life.answers(9) == ""
    assert life.set.states == [NodeState(handled=3, roles=(None,))]
    assert (life.set.waits_since_ms, life.set.backlog, life.set.reports.forgiven) == (300.0, 1, 3)


def test_so_are_those_over_a_connection() -> None:
    life = lived()
    life.claim(512, 100.0)
    life.claim(768, 300.0)
    life.set.reconnected(300.0)
    assert {one.handled for one in life.set.states} == {2, 3}
    life.set.reconnected()
    assert {one.handled for one in life.set.states} == {3}


def test_what_waits_is_never_overdue_where_too_much_is_open() -> None:
    life = lived()
    life.set.lost_some()
    life.claim(512, 100.0)
    assert life.set.overdue(9_000.0, 200.0) is None
    assert life.set.widened
