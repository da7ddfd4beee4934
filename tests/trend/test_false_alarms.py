"""How often charts alarm where nothing has changed: 1,000 simulated runs of sixty figures."""

from __future__ import annotations

import math
from array import array
from collections.abc import Callable
from random import Random

import pytest

from conformance.recordings.trend.chart import Marked, charts_of
from conformance.recordings.trend.figure import Key
from conformance.recordings.trend.limits import LEARNED, RUNS_A_FALSE_ALARM
from conformance.recordings.trend.series import Series

FIGURES = 60
RUNS = 1000
SETS = 1


def student(rng: Random) -> float:
    """Far tails: t with 5 degrees of freedom."""
    return 1000 + 20 * rng.gauss(0, 1) / math.sqrt(rng.gammavariate(2.5, 2) / 5)


DRAWS: dict[str, tuple[str, Callable[[Random], float]]] = {
    "normal": ("step", lambda rng: rng.gauss(1000, 20)),
    "skewed": ("step", lambda rng: 500 + 10 * rng.gammavariate(4, 1)),
    "far tails": ("step", student),
    "steps of a main loop": ("step", lambda rng: 400 + 10 * round(rng.gauss(0, 0.6))),
    "hardly ever": ("step", lambda rng: 403.0 + 15 * (rng.random() < 0.01)),
    "readings": ("reading", lambda rng: float(round(rng.gauss(178, 1.5)))),
    "rare events": ("lost", lambda rng: float(rng.random() < 0.05)),
    "events in bunches": ("lost", lambda rng: 5.0 * (rng.random() < 0.02)),
    "common events": ("lost", lambda rng: float(int(rng.gammavariate(3, 1)))),
}


def simulated(draw: str, rng: Random, runs: int = RUNS + LEARNED) -> list[Series]:
    figure, one = DRAWS[draw]
    numbers = range(runs)
    return [
        Series(
            Key(f"node-{number}", figure),
            array("d", numbers),
            array("d", (one(rng) for _ in numbers)),
            array("q", numbers),
        )
        for number in range(FIGURES)
    ]


@pytest.mark.parametrize("draw", DRAWS)
def test_all_charts_together_alarm_once_in_two_hundred_undisturbed_runs_at_most(draw: str) -> None:
    alarms = 0
    for seed in range(SETS):
        charts = charts_of(simulated(draw, Random(seed)))
        assert len(charts) == FIGURES
        assert all(chart.limits is not None for chart in charts)
        alarms += sum(len(chart.alarms) for chart in charts)
    assert alarms <= SETS * RUNS / RUNS_A_FALSE_ALARM


@pytest.mark.parametrize("draw", ["normal", "skewed", "far tails", "readings"])
def test_a_shift_of_four_standard_deviations_in_one_of_them_is_found_within_ten_runs(draw: str) -> None:
    series = simulated(draw, Random(7), runs=60)
    moved = series[11]
    learned = moved.values[:40]
    mean = sum(learned) / len(learned)
    shift = 4 * (sum((value - mean) ** 2 for value in learned) / (len(learned) - 1)) ** 0.5
    for point in range(40, 60):
        moved.values[point] += shift
    alarmed = {chart.series.key.node: chart.alarms[0].index for chart in charts_of(series) if chart.alarms}
    assert set(alarmed) == {"node-11"}
    assert 40 <= alarmed["node-11"] < 50


def test_a_single_run_that_is_far_out_is_no_drift() -> None:
    series = simulated("normal", Random(3), runs=60)
    series[0].values[45] += 10_000
    assert not any(chart.alarms for chart in charts_of(series))


def test_fewer_runs_than_eight_teach_nothing() -> None:
    charts = charts_of(simulated("normal", Random(3), runs=7))
    assert {chart.limits for chart in charts} == {None}


def test_limits_come_from_the_runs_that_are_marked() -> None:
    series = simulated("normal", Random(3), runs=40)
    for one in series:
        for point in range(20):
            one.values[point] += 500
    charts = charts_of(series, Marked(frozenset(range(20, 40))))
    assert all(chart.learned_from == tuple(range(20, 40)) for chart in charts)
    assert not any(chart.alarms for chart in charts)


def test_limits_are_not_learned_from_a_run_that_is_marked_bad() -> None:
    series = simulated("normal", Random(3), runs=40)
    charts = charts_of(series, Marked(bad=frozenset({0, 3})))
    assert charts[0].learned_from == (1, 2, *range(4, 22))
