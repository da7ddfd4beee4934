"""Exploration with time that counts: one supervisor and one crane, below, at and above each bound."""

from __future__ import annotations

import dataclasses
from unittest.mock import patch

import pytest

from protocol.specification import specification
from reference_node.snapshot.how import Since
from reference_node.supervisor.observe.pace import Pace
from reference_node.supervisor.observe.session import Session
from tests.proof.timed.clocks import GRAIN_MS, OLD_MS, deadline_left, earlier, with_ages
from tests.proof.timed.run import explore, recorded
from tests.proof.timed.yard import TimedBudget, timed
from tests.proof.yard.participants import CATALOGUE_OF_ALL

SMALL = [budget for budget in timed() if not (budget.way_ms and budget.lost)]
"""The others are in `make prove`."""


@pytest.mark.parametrize("budget", SMALL, ids=lambda budget: budget.name)
def test_nothing_is_wrong_within_every_bound(budget: TimedBudget) -> None:
    found = explore(budget)
    assert found.wrong == ""
    assert found.complete
    known = recorded()[budget.name]
    assert (found.states, found.edges) == (known["states"], known["edges"])


def test_both_orders_of_search_find_the_same_states() -> None:
    wide, deep = explore(TimedBudget(way_ms=1)), explore(TimedBudget(way_ms=1), depth_first=True)
    assert (wide.states, wide.edges, wide.agreed) == (deep.states, deep.edges, deep.agreed)


def test_two_heartbeats_lost_in_a_row_are_a_silence_and_one_is_none() -> None:
    """The bound is sharp: one loss is among the budgets above."""
    assert "the crane is found silent 5001 ms after its newest word" in explore(TimedBudget(lost=2)).wrong


def test_a_heartbeat_that_comes_late_is_found() -> None:
    with patch("reference_node.controller.heartbeat.EARLY_MS", -1_000):
        assert "the crane says nothing for 2001 ms [MSG-02]" in explore(TimedBudget()).wrong


def _after_400_ms(_session: Session, last_ms: int | None, now_ms: int) -> bool:
    return last_ms is None or now_ms - last_ms >= 400


def test_a_repeat_that_comes_early_is_found() -> None:
    with patch.object(Session, "_is_due", _after_400_ms):
        assert "is repeated after 499 ms [SUP-05]" in explore(TimedBudget(way_ms=1)).wrong


def test_every_bound_that_a_supervisor_or_a_crane_asks_of_is_a_multiple_of_the_grain() -> None:
    """Or acts as the next multiple, as the docstring of the clocks says of heartbeats."""
    names = (
        "state_repeat",
        "status_repeat",
        "state_silence",
        "order_repeat",
        "order_lead",
        "bad_message_gap",
    )
    figures = [specification().timing[name] for name in names]
    asked = [*(one.most for one in figures), *(one.least for one in figures)]
    asked += list(dataclasses.asdict(Pace()).values())
    assert [value for value in asked if value and value % GRAIN_MS] == []


def test_an_age_is_kept_wherever_one_is_asked_for() -> None:
    for kind, plan in with_ages(CATALOGUE_OF_ALL).plans.items():
        assert not [name for name, how in plan.fields.items() if isinstance(how, Since) and how.limits_ms], (
            kind
        )


@pytest.mark.parametrize(("uptime", "by", "stands"), [(0, 1, 2**32 - 1), (2**32 - 500, 499, 2**32 - 999)])
def test_a_remembered_uptime_falls_behind(uptime: int, by: int, stands: int) -> None:
    assert earlier(uptime, by) == stands
    assert earlier(uptime, 20_000) == 2**32 - OLD_MS


@pytest.mark.parametrize(("at", "by", "left"), [(500, 499, 1), (500, 500, 0), (500, 501, 2**32 - 1)])
def test_a_deadline_comes_nearer_and_passes(at: int, by: int, left: int) -> None:
    assert deadline_left(at, by) == left
