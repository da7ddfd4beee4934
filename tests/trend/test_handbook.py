"""Charts and quantiles against published examples and other implementations; the source stands at each."""

from __future__ import annotations

import numpy as np
import pytest

from conformance.recordings.trend.control_chart import ewma, ewma_room, individuals, moving_ranges
from conformance.recordings.trend.quantiles import most_events, t_quantile, t_tail, twice_quantile

# NIST/SEMATECH e-Handbook, 6.3.2.2, individuals and moving range: flow rates of ten batches. Figures from memory of
# the published page; all of them follow from the ten values by its formulas.
FLOW_RATES = (49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1)

# NIST/SEMATECH e-Handbook, 6.3.2.4, EWMA: twenty values, EWMA_0 = 50, s = 2.0539, weight 0.3, k = 3.
# Figures from memory of the published page, which gives the averages to two places.
EWMA_VALUES = (
    52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5,
    49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1,
)  # fmt: skip
EWMA_PUBLISHED = (
    50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33,
    50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99,
)  # fmt: skip


def test_individuals_and_moving_range() -> None:
    found = individuals(FLOW_RATES)
    assert moving_ranges(FLOW_RATES) == pytest.approx([2.0, 2.3, 1.4, 3.5, 3.4, 1.4, 0.2, 1.2, 1.5])
    assert found.centre == pytest.approx(50.81, abs=5e-3)
    assert found.mean_range == pytest.approx(1.8778, abs=5e-5)
    assert found.upper == pytest.approx(55.8041, abs=5e-5)
    assert found.lower == pytest.approx(45.8159, abs=5e-5)


def test_ewma() -> None:
    assert ewma(EWMA_VALUES, 50.0, 0.3) == pytest.approx(EWMA_PUBLISHED, abs=0.0051)
    room = ewma_room(2.0539, 3.0, 0.3)
    assert 50 + room == pytest.approx(52.5884, abs=5e-4)
    assert 50 - room == pytest.approx(47.4115, abs=5e-4)


@pytest.mark.parametrize("dof", [1, 2, 3, 4, 7, 19, 20, 99, 400])
def test_students_t_is_that_of_scipy(dof: int) -> None:
    from scipy import stats  # Slow to import, and every worker reads this file.

    for t in (0.1, 1.0, 3.3, 9.0):
        assert t_tail(t, dof) == pytest.approx(float(stats.t.sf(t, dof)), rel=1e-6, abs=1e-15)
    for tail in (0.2, 1e-3, 1e-5):
        assert t_quantile(tail, dof) == pytest.approx(float(stats.t.isf(tail, dof)), rel=1e-6)


@pytest.mark.parametrize(("seen", "runs", "ahead"), [(0, 20, 1), (0, 20, 10), (3, 20, 10), (40, 25, 1)])
def test_rare_events_are_the_negative_binomial_of_scipy(seen: int, runs: int, ahead: int) -> None:
    from scipy import stats  # Slow to import, and every worker reads this file.

    for tail in (1e-2, 1e-5):
        theirs = int(stats.nbinom.isf(tail, seen + 0.5, runs / (runs + ahead)))
        assert most_events(seen, runs, ahead, tail) == theirs


@pytest.mark.parametrize("learned", [8, 20, 100])
def test_two_in_a_row_beyond_a_limit_that_was_learned(learned: int) -> None:
    """Against drawing: both values lie beyond the same side of a limit of the same few runs."""
    tail, sets = 0.01, 200_000
    draws = np.random.default_rng(20_261_128)
    centre = draws.normal(size=sets) / np.sqrt(learned)
    sigma = np.sqrt(draws.chisquare(learned - 1, size=sets) / (learned - 1))
    two = draws.normal(size=(2, sets))
    room = twice_quantile(tail, learned) * sigma
    beyond = ((two > centre + room).all(axis=0) | (two < centre - room).all(axis=0)).mean()
    # Binomial: the standard error of a share of 0.01 in 200,000 is 0.00022.
    assert beyond == pytest.approx(tail, abs=0.0008)
