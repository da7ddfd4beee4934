from __future__ import annotations

from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from reference_node.sensing.debounce import Debounce


def test_a_burst_counts_once_and_from_its_last_edge() -> None:
    line = Debounce(False, 3000)
    for at_us, closed in ((1000, True), (1200, False), (1900, True)):
        line.feed(at_us, closed)
    assert line.settle(4899) is None
    assert line.due_us == 4900
    assert line.settle(4900) == 1900
    assert line.level
    assert line.settle(9000) is None


def test_a_pulse_shorter_than_the_debounce_does_not_count() -> None:
    line = Debounce(False, 3000)
    line.feed(1000, True)
    line.feed(3999, False)
    assert line.settle(100_000) is None
    assert line.due_us is None


def test_an_edge_that_says_nothing_new_delays_nothing() -> None:
    line = Debounce(False, 3000)
    line.feed(1000, True)
    line.feed(3500, True)
    assert line.settle(4000) == 1000


@given(st.lists(st.integers(1, 6000), max_size=30))
def test_what_is_believed_has_stood_for_the_time(gaps: list[int]) -> None:
    """Against the definition, computed the long way: level changes that last for at least 3000 us."""
    times = [sum(gaps[: number + 1]) for number in range(len(gaps))]
    line, believed = Debounce(False, 3000), list[tuple[int, bool]]()
    for number, at_us in enumerate(times):
        if (since := line.settle(at_us)) is not None:
            believed.append((since, line.level))
        line.feed(at_us, number % 2 == 0)
    expected, level = list[tuple[int, bool]](), False
    for number, (at_us, until) in enumerate(pairwise(times)):
        if until - at_us >= 3000 and (number % 2 == 0) != level:
            level = number % 2 == 0
            expected.append((at_us, level))
    assert believed == expected
