"""What is said of tables is true as often as it says, over mechanisms from seeds. No fit knows what was planted."""

from __future__ import annotations

import random
from statistics import fmean

import numpy as np
import pytest

from conformance.measure.arrivals import arrivals_of
from conformance.measure.budget.landing import Statements, landings
from conformance.measure.budget.uncertainty import simulated
from conformance.measure.causes import causes
from conformance.measure.choice import choose
from conformance.measure.thinning import thin
from protocol.position_table import PositionTable
from tests.measure.calibration import Outcome
from tests.measure.survey import HIGH, LOW, PLANTED, TRAINS, mechanism, survey

SAMPLE, ALL = 6, 143
"""Seeds for each of seven kinds of mechanism: what CI plays, and the whole, 1,001."""


def played(seeds: int, kinds: tuple[str, ...] = PLANTED, **more: float) -> dict[str, Outcome]:
    found = {}
    for planted in kinds:
        found[planted] = Outcome()
        for seed in range(seeds):
            found[planted].add(planted, seed, **more)  # type: ignore[arg-type]
    return found


@pytest.mark.slow
def test_intervals_cover_the_truth_in_a_sample() -> None:
    found = played(SAMPLE)
    assert 0.88 <= fmean(one.coverage for one in found.values()) <= 1
    assert max(one.width for one in found.values()) <= 1.7
    assert found["period"].share_named("period") == 1
    assert found["gap"].share_named("gap") == 1


@pytest.mark.slow
@pytest.mark.exhaustive
def test_intervals_cover_the_truth() -> None:
    """93 to 97 % over 1,001 seeds, no wider than 1.5 times what one would say who knows what was planted."""
    found = played(ALL)
    assert 0.93 <= fmean(one.coverage for one in found.values()) <= 0.97
    assert max(one.width for one in found.values()) <= 1.5


@pytest.mark.slow
@pytest.mark.exhaustive
def test_nothing_is_named_where_nothing_is() -> None:
    found = played(1000, ("nothing",))["nothing"]
    assert fmean(not names for names in found.named) >= 0.95


@pytest.mark.slow
@pytest.mark.exhaustive
@pytest.mark.parametrize("planted", ["period", "gap", "drift"])
def test_three_times_the_repeatability_is_named(planted: str) -> None:
    """With 24 arrivals. The others need more of them, or more size: docs/measuring.md has the table."""
    assert played(200, (planted,))[planted].share_named(planted) >= 0.95


def cycles(planted: str, seed: int, number: int = 1000) -> tuple[float, float]:
    """Share of cycles that end outside the 95 % statement, and that statement over its simulation."""
    rng = random.Random(f"{planted} {seed} cycles")
    truth = mechanism(planted, rng)
    arrivals = arrivals_of(survey(truth, rng, 24, warms=planted == "drift"))
    shown = causes(arrivals, np.random.default_rng(seed))
    curve = choose(arrivals, shown).curve
    table = PositionTable(thin(curve, LOW, HIGH).points)
    (slot,) = landings(arrivals, shown, curve, table, Statements(axis=0.15), slots=1, catches=4)
    outside = 0
    for _ in range(number):
        reading = rng.randint(LOW, HIGH)
        stands = truth.arrival(reading, rng.choice(TRAINS), rng)
        play = rng.choice([-1, 1]) * truth.play / 2
        came_to = table.position(reading) + play + rng.gauss(0, 0.15)
        outside += abs(came_to - stands) > slot.budget.expanded
    return outside / number, slot.budget.expanded / simulated(
        slot.budget, np.random.default_rng(seed), 50_000
    )


@pytest.mark.slow
def test_tables_are_as_good_as_their_budget_says() -> None:
    """20 tables over a mechanism with an eccentric, from 20 seeds, 1,000 cycles each: 2.5 to 7 % lie outside."""
    found = [cycles("period", seed) for seed in range(20)]
    assert 0.025 <= fmean(outside for outside, _ in found) <= 0.07
    assert all(0.9 <= against <= 1.15 for _, against in found)


@pytest.mark.slow
@pytest.mark.exhaustive
def test_budgets_of_every_mechanism() -> None:
    """1,001 tables, 200 cycles each: 3 to 7 % lie outside where one locomotive is not worse than all others."""
    kinds = tuple(kind for kind in PLANTED if kind != "trains")
    found = [cycles(planted, seed, 200)[0] for planted in kinds for seed in range(1001 // len(kinds))]
    assert 0.03 <= fmean(found) <= 0.07
