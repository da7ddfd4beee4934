"""Counting uptimes again leaves no state out, and adds none."""

from __future__ import annotations

import pytest

from reference_node.supervisor.send.messages import hold_for
from tests.proof.engine.explore import Exploration
from tests.proof.yard.budget import Budget
from tests.proof.yard.chance import CHANGE, WITHOUT_CHANGE
from tests.proof.yard.participants import Steps
from tests.proof.yard.state import State
from tests.proof.yard.uptimes import AHEAD, BEFORE, LONG_BEFORE, deadline, remembered
from tests.proof.yard.yard import Yard


@pytest.mark.parametrize(
    "may", ["stale answer", "give-up", pytest.param("hold", marks=pytest.mark.exhaustive), "late order"]
)
def test_each_state_with_uptimes_as_they_are_is_one_of_those_counted_again(may: str) -> None:
    """Both ways round, for all states with nothing under way: those of the long exploration, counted again."""
    steps = Steps("crane")
    short = Exploration(yard := Yard(Budget("crane", {may: 1}, calm=True, lag=0), steps))
    long = Exploration(as_it_is := Yard(Budget("crane", {may: 1}, calm=True, lag=0, as_it_is=True), steps))
    yard.worlds, yard.judge = as_it_is.worlds, as_it_is.judge
    found, whole = short.run(), long.run()
    assert found.complete
    assert whole.complete
    assert (found.is_good, whole.is_good) == (True, True)
    assert found.states < whole.states
    assert {yard.rebased(state) for state in long.states if _is_quiet(state)} == {
        state for state in short.states if _is_quiet(state)
    }


def _is_quiet(state: State) -> bool:
    return state.late is None and not any(state.queues)


@pytest.mark.parametrize(
    ("uptime", "now", "stands"),
    [
        (8, 8, 0),
        (9, 8, 1),
        (0, 2**32 - 1, 1),
        (7, 8, BEFORE),
        (2**32 - 1, 0, BEFORE),
        (7, 40_007, LONG_BEFORE),
    ],
)
def test_a_remembered_uptime_keeps_what_is_asked_of_it(uptime: int, now: int, stands: int) -> None:
    assert remembered(uptime, now) == stands


@pytest.mark.parametrize(("at", "now", "stands"), [(30_000, 30_000, AHEAD), (30_000, 30_001, BEFORE)])
def test_a_deadline_stays_ahead_or_behind(at: int, now: int, stands: int) -> None:
    assert deadline(at, now) == stands


def test_what_is_said_without_any_change_is_newer_than_the_last_change_and_older_than_the_next() -> None:
    """An answer to an ask before a claim that raises the mark: whoever ends an order by the latter does not take the
    state in the answer for one that was told behind it."""
    steps = Steps("crane")
    node, world = steps.nodes[0], steps.place.world
    first = node.first(world)
    on = node.step(first.after, first.world, ("connect",))
    told = node.step(on.after, on.world, ("beat",))
    assert (told.after, node.states[on.after].count) == (on.after, CHANGE)
    held = node.step(
        on.after, on.world, ("deliver", steps.messages.number(hold_for(steps.place.site, "crane", "both")))
    )
    uptimes = [[steps.messages[one].body["uptime"] for one in step.said] for step in (on, told, held)]
    assert [set(some) for some in uptimes] == [{CHANGE}, {CHANGE + WITHOUT_CHANGE}, {2 * CHANGE}]
