"""Virtual time: order, ends, and no standing still."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from protocol.wire.virtual_time import VirtualTime


@given(st.lists(st.integers(0, 50), max_size=40))
def test_calls_come_by_instant_then_in_the_order_of_scheduling(instants: list[int]) -> None:
    time = VirtualTime()
    called: list[tuple[int, int]] = []
    for number, instant in enumerate(instants):
        time.call_at(instant, lambda number=number: called.append((time.now_ms, number)))  # type: ignore[misc]
    time.run_until(50)
    # A stable sort by instant is the definition.
    assert called == sorted(((when, number) for number, when in enumerate(instants)), key=lambda one: one[0])


def test_time_stands_at_the_end_asked_for() -> None:
    time = VirtualTime(5)
    time.run_until(123)
    assert time.now_ms == 123


def test_a_call_at_the_end_is_made_and_a_later_one_waits() -> None:
    time = VirtualTime()
    called: list[int] = []
    for instant in (10, 11):
        time.call_at(instant, lambda: called.append(time.now_ms))
    time.run_until(10)
    assert called == [10]
    time.run_until(11)
    assert called == [10, 11]


def test_a_call_for_the_past_comes_now() -> None:
    time = VirtualTime(100)
    called: list[int] = []
    time.call_at(7, lambda: called.append(time.now_ms))
    time.run_until(100)
    assert called == [100]


def test_a_cancelled_call_never_comes() -> None:
    time = VirtualTime()
    called: list[int] = []
    timer = time.call_in(5, lambda: called.append(1))
    timer.cancel()
    time.run_until(10)
    assert called == []
    assert not timer.open


def test_waiting_for_something_stops_where_it_happened() -> None:
    time = VirtualTime()
    seen: list[int] = []
    for instant in (3, 6, 9):
        time.call_at(instant, lambda: seen.append(time.now_ms))
    assert time.run_until_true(lambda: len(seen) == 2, within_ms=100)
    assert time.now_ms == 6
    assert not time.run_until_true(lambda: len(seen) == 4, within_ms=100)
    assert time.now_ms == 106


def test_calls_that_schedule_themselves_for_ever_are_reported() -> None:
    time = VirtualTime()

    def again() -> None:
        time.call_in(0, again)

    again()
    with pytest.raises(RuntimeError, match="time stands still"):
        time.run_until(1)
