"""Limits that runs teach, so wide that all charts together seldom alarm where nothing has changed.

A chart has two tests a run: two values beyond the same limit one after the other, and the EWMA. One value
alone is no alarm: what happened in one run is a question for a comparison of runs, and machines have runs that
are far out while nothing has changed. With K charts each test may alarm with probability 1 / (runs * 2 K) in a run,
which by Bonferroni's inequality makes one alarm in `runs` runs at most, whatever the charts have to do with each
other. Limits count in from how few runs they were learned: the uncertainty of centre and scatter is in them. Where the
learned values scatter more in the long run than from run to run, the greater of both counts.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import fmean, stdev, variance

from conformance.recordings.trend.control_chart import WEIGHT, ewma_room, individuals
from conformance.recordings.trend.figure import Figure, Sum
from conformance.recordings.trend.quantiles import most_events, t_quantile, twice_quantile

RUNS_A_FALSE_ALARM = 200
"""Undisturbed runs in which all charts together alarm once at most, on the average."""
TESTS = 2
"""Of one chart in one run."""
LEARNED = 20
"""Runs that limits are learned from where nobody marked any."""
FEWEST = 8
"""Runs without which nothing is judged."""
SPREADS = 2.5
"""A value is beyond its limit only where it lies so many times as far out as any that was learned from."""
TOGETHER = 10
"""Runs whose events are counted together: those of one run alone are no drift either."""


@dataclass(frozen=True, slots=True)
class Limits:
    """Of one chart. `room` is how far a value may lie from the centre, `drift` how far its EWMA.

    The EWMA takes no value for farther from the centre than `near`: one run alone is no drift.
    """

    learned: int
    """From how many runs."""
    centre: float
    sigma: float
    room: float
    near: float
    drift: float

    @property
    def lower(self) -> float:
        """The least that a value may be."""
        return self.centre - self.room

    @property
    def upper(self) -> float:
        """The most that a value may be."""
        return self.centre + self.room


@dataclass(frozen=True, slots=True)
class EventLimits:
    """Of the events of `TOGETHER` runs, of which each counts with `most` at most."""

    learned: int
    centre: float
    most: int
    most_together: int


def tail_of(charts: int, runs: int = RUNS_A_FALSE_ALARM) -> float:
    """The probability with which each test may alarm in an undisturbed run."""
    return 1 / (runs * TESTS * max(charts, 1))


def limits_of(figure: Figure, values: Sequence[float], tail: float) -> Limits | EventLimits | None:
    """What `values` teach; None where they are too few."""
    number = len(values)
    if number < FEWEST:
        return None
    least_scatter = figure.least_scatter
    if figure.sum is Sum.COUNT:
        if math.fsum(values) < number:
            return _of_rare_events(values, tail)
        least_scatter = math.sqrt(fmean(values))  # Of a Poisson law; what comes in bunches scatters more.
    centre = fmean(values)
    sigma = max(individuals(values).sigma, stdev(values), least_scatter)
    near = twice_quantile(tail, number) * sigma
    spread = max(abs(value - centre) for value in values)
    return Limits(
        number,
        centre,
        sigma,
        max(near, SPREADS * spread),
        near,
        ewma_room(sigma, t_quantile(tail / 2, number - 1), WEIGHT, known=1 / number),
    )


def _of_rare_events(values: Sequence[float], tail: float) -> EventLimits:
    """Of less than one event a run."""
    seen, number = round(math.fsum(values)), len(values)
    most, together = most_events(seen, number, 1, tail), most_events(seen, number, TOGETHER, tail)
    mean = seen / number
    if seen:
        bunched = max(1.0, math.sqrt(variance(values) / mean))
        together = math.ceil(TOGETHER * mean + (together - TOGETHER * mean) * bunched)
    return EventLimits(number, mean, max(most, round(max(values))), together)
