"""A set of states in which nothing is known: what ends that, and what is known of orders all the same."""

from __future__ import annotations

from math import inf
from typing import Any

import pytest

from conformance.oracle.node_state import NodeState
from tests.oracle.test_a_set_of_states import Life
from tests.oracle.test_order_checks import BOOT


def widened(*acts: str) -> Life:
    """Nothing is known, and then these came; an ask has the token 4."""
    life = Life()
    life.set.lost_some()
    for act in acts:
        life.comes(act, **dict[str, Any]({"token": 4} if act == "ask" else {}))
    assert life.set.widened
    return life


@pytest.mark.parametrize(
    ("acts", "handled"),
    [(["ask"], 1), (["hold", "ask"], 2), (["hold", "hold", "ask", "hold"], 3), (["ask", "hold", "hold"], 1)],
)
def test_the_answer_to_an_ask_ends_it_and_all_before_is_handled(acts: list[str], handled: int) -> None:
    """ORD-02: orders are handled in the order in which they arrive."""
    life = widened(*acts)
    assert life.answers(4) == ""
    assert not life.set.widened
    assert life.set.states == [NodeState(handled=handled, roles=(None,))]
    assert life.set.end == len(acts)
    assert life.set.reports.forgiven == handled, "what came before may be answered or not"


def test_orders_that_were_forgotten_before_count_too() -> None:
    life = Life()
    for act in ("hold", "hold"):
        life.comes(act)
    life.set.forget()
    life.set.lost_some()
    life.comes("hold")
    life.comes("ask", token=4)
    life.comes("hold")
    assert (life.answers(4), life.set.reports.forgiven, life.set.end) == ("", 4, 5)
    assert life.set.states == [NodeState(handled=4, roles=(None,))]
    assert len(life.set._queue) == 1, "what was handled is kept no longer"


def test_the_answer_to_another_ask_and_other_reports_do_not() -> None:
    life = widened("hold", "ask")
    assert (life.answers(5), life.reports(4), life.set.widened) == ("", "", True)


def test_an_ask_that_came_before_too_is_no_fence() -> None:
    """The answer may be that to the first; the second is a repeat of it."""
    life = Life()
    life.comes("ask", token=4)
    life.set.lost_some()
    life.comes("ask", token=4)
    assert (life.answers(4), life.set.widened) == ("", True)


def test_an_ask_that_came_while_all_was_known_is_no_fence_either() -> None:
    life = Life()
    life.comes("ask", token=4)
    life.comes("hold")
    life.set.lost_some()
    assert (life.answers(4), life.set.widened) == ("", True)
    assert life.set.end == 2


def test_a_second_loss_ends_the_fences_before_it() -> None:
    life = widened("ask")
    life.set.lost_some()
    assert (life.answers(4), life.set.widened) == ("", True)


@pytest.mark.parametrize(("before_ms", "ends"), [(inf, True), (1e9, False)])
def test_a_reconnection_ends_it_for_who_knows_what_came(before_ms: float, ends: bool) -> None:
    life = widened("hold")
    life.set.reconnected(before_ms)
    assert life.set.widened is not ends


def test_what_was_settled_ends_it() -> None:
    life = Life()
    life.set.lost_some()
    for at_ms in (10.0, 20.0, 30.0):
        life.comes("hold", at_ms)
    life.set.settle(30.0)
    assert (life.set.widened, life.set.reports.forgiven) == (False, 2)
    assert life.set.states == [NodeState(handled=2, roles=(None,))]
    assert (life.set.end, len(life.set._queue)) == (3, 1), "what was settled is kept no longer"


def test_what_came_may_be_answered_though_all_was_forgotten_and_nothing_else() -> None:
    """ORD-14: a report answers an order that came."""
    life = Life()
    life.claim(256)
    life.comes("ask", token=4)
    life.comes("cancel", id=300, ref=256)
    life.set.forget()
    assert (life.reports(256), life.answers(4), life.reports(256, "cancel", "refused")) == ("", "", "")
    for wrong in (life.reports(257), life.answers(5), life.reports(256, "resume")):
        assert wrong.startswith("ORD-14"), wrong


def test_a_new_boot_is_known_only_where_nothing_waits_of_which_nothing_is_known() -> None:
    for lost, known in ((False, 0), (True, None)):
        life = Life()
        if lost:
            life.set.lost_some()
        life.set.begin(BOOT + 1, fresh=True)
        assert (life.set.states[0].mark, life.set.boot) == (known, BOOT + 1)
    life = Life()
    life.set.begin(BOOT + 1, fresh=False)
    assert life.set.states == [NodeState(roles=(None,))]


# ---------------------------------------------------------------- what is given up where all is known
def waits() -> Life:
    """Three claims on their way; which of them were handled is open."""
    life = Life()
    for number, at_ms in ((256, 10.0), (257, 20.0), (258, 30.0)):
        life.claim(number, at_ms)
    return life


@pytest.mark.parametrize(("before_ms", "past"), [(10.0, 0), (20.0, 1), (20.5, 2), (99.0, 3)])
def test_what_came_before_an_instant_is_settled(before_ms: float, past: int) -> None:
    life = waits()
    life.set.settle(before_ms)
    assert {one.handled for one in life.set.states} == (set(range(past, 4)) if past else {0})
    assert all(owed.at_ms >= before_ms for one in life.set.states for owed in one.owed)
    assert max((len(one.owed) for one in life.set.states), default=0) == (3 - past if past else 0)
    assert life.set.reports.forgiven == (past or -1), "these may be answered all the same"


def test_what_is_settled_later_counts_from_what_was_settled_before() -> None:
    life = waits()
    life.set.settle(15.0)
    life.set.settle(20.5)
    assert {one.handled for one in life.set.states} == {2, 3}
    assert (life.set.end, life.set.reports.forgiven) == (3, 2)


@pytest.mark.parametrize(("before_ms", "owed"), [(10.0, 1), (10.5, 0)])
def test_an_answer_that_is_owed_is_given_up_too(before_ms: float, owed: int) -> None:
    life = Life()
    life.claim(256, 10.0)
    life.set._keep(one for one in life.set._ahead() if one.handled)
    life.set.settle(before_ms)
    assert [len(one.owed) for one in life.set.states] == [owed]
    assert life.set.reports.forgiven == (-1 if owed else 1)


@pytest.mark.parametrize(
    ("settled", "before_ms", "past"),
    [(False, 10.0, 0), (False, 20.0, 1), (True, 20.0, 1), (True, 20.5, 2), (True, inf, 3)],
)
def test_with_a_connection_what_came_before_was_handled_or_lost(
    settled: bool, before_ms: float, past: int
) -> None:
    life = waits()
    if settled:
        life.set.settle(15.0)
    life.set.reconnected(before_ms)
    assert {one.handled for one in life.set.states} == set(range(past, 4))
    assert all(not one.owed for one in life.set.states)
    assert life.set.reports.forgiven == 3


def test_of_what_came_at_once_each_may_be_lost() -> None:
    """ORD-19."""
    life = Life()
    life.claim(256, 10.0)
    life.set._keep(one for one in life.set._ahead() if one.handled)
    life.claim(257, 20.0)
    life.set.doubt()
    assert [len(one.owed) for one in life.set.states] == [1, 0]
    assert [one.sure for one in life.set._queue] == [False]
    assert life.set.reports.forgiven == 2
