"""Where a figure goes that has left its limits: since when, how far, how fast, and when it meets its bound."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from statistics import fmean

from conformance.recordings.trend.chart import Chart
from conformance.recordings.trend.limits import Limits
from protocol.site import Site
from protocol.specification import specification

WEEK_S = 7 * 86_400
FEWEST = 4
"""Values without which no rate is told."""
SURE = 3.0
"""Standard errors from 0 beyond which a rate is one."""
NEWEST = 5
"""Values whose mean is where a figure is now, where it has no rate."""
NEAR = 0.2
"""Of its limit, up to which the EWMA is near the centre."""
FARTHEST_WEEKS = 520
"""Beyond so many, ten years, no date is told."""


@dataclass(frozen=True, slots=True)
class Bound:
    """Where a figure becomes a failure."""

    value: float
    what: str


@dataclass(frozen=True, slots=True)
class Outlook:
    """How a figure has changed; times are seconds since 1970, UTC."""

    since: float
    now: float
    shift: float
    """From the centre to now."""
    per_week: float | None
    """None where no rate can be told from the scatter."""
    bound: Bound | None = None
    """The one that it goes towards."""
    weeks: float | None = None
    """Until it is reached at this rate; 0 where it is."""
    meets: float | None = None
    """When that is."""


def outlook_of(chart: Chart, site: Site | None) -> Outlook | None:
    """The outlook of a measured figure that has alarmed; None for any other."""
    limits = chart.limits
    if not isinstance(limits, Limits) or not chart.alarms:
        return None
    series, begin = chart.series, _since(chart, limits)
    at, values = series.at[begin:], series.values[begin:]
    rate = _rate(at, values)
    newest = fmean(values[-NEWEST:]) if rate is None else rate[1]
    per_week = None if rate is None else rate[0] * WEEK_S
    found = Outlook(at[0], newest, newest - limits.centre, per_week)
    ahead = [
        bound
        for bound in bounds_of(chart, site)
        if (bound.value - limits.centre) * (per_week or found.shift) > 0
    ]
    if not ahead:
        return found
    bound = min(ahead, key=lambda one: abs(one.value - newest))
    left = bound.value - newest
    if left * (bound.value - limits.centre) <= 0:
        return Outlook(found.since, newest, found.shift, per_week, bound, 0.0, at[-1])
    if per_week is None or left / per_week > FARTHEST_WEEKS:
        return Outlook(found.since, newest, found.shift, per_week, bound)
    weeks = left / per_week
    return Outlook(found.since, newest, found.shift, per_week, bound, weeks, at[-1] + weeks * WEEK_S)


def _since(chart: Chart, limits: Limits) -> int:
    """Where the change that the newest alarm tells began: behind the last EWMA that was still near the centre."""
    alarm = chart.alarms[-1]
    index = alarm.index - chart.first_judged
    near, sign = limits.drift * NEAR, 1 if alarm.high else -1
    while index > 0 and (chart.averages[index - 1] - limits.centre) * sign > near:
        index -= 1
    return chart.first_judged + index


def _rate(at: Sequence[float], values: Sequence[float]) -> tuple[float, float] | None:
    """Slope per second and the line's value at the end, by least squares; None where it may as well be 0."""
    if len(values) < FEWEST:
        return None
    middle, mean = fmean(at), fmean(values)
    spread = math.fsum((one - middle) ** 2 for one in at)
    if spread == 0:
        return None
    slope = math.fsum((one - middle) * (value - mean) for one, value in zip(at, values, strict=True)) / spread
    left = math.fsum(
        (value - mean - slope * (one - middle)) ** 2 for one, value in zip(at, values, strict=True)
    )
    error = math.sqrt(left / (len(values) - 2) / spread)
    if abs(slope) <= SURE * error:
        return None
    return slope, mean + slope * (at[-1] - middle)


# ------------------------------------------------------------------------------------- bounds
def bounds_of(chart: Chart, site: Site | None) -> Iterator[Bound]:
    """What the protocol and the site file say of a figure."""
    key = chart.series.key
    if key.figure == "answer":
        yield Bound(specification().most_ms("answer"), "the most that the protocol allows")
    elif key.figure == "gap":
        yield Bound(specification().most_ms("state_repeat"), "the most that the protocol allows")
    node = site.nodes.get(key.node) if site is not None else None
    if site is None or node is None:
        return
    if key.figure == "reading":
        for crane, table in _tables(site, key.node):
            yield Bound(table[0][0], f"the lower end of the table of {crane}")
            yield Bound(table[-1][0], f"the upper end of the table of {crane}")
    if node.berth is not None:
        if key.figure == "arm_to_end":
            yield Bound(node.berth.end_timeout_ms, "its end_timeout_ms")
        elif key.figure == "step" and key.step == "approach":
            yield Bound(node.berth.arming_timeout_ms, "its arming_timeout_ms")
    if node.shuttle is not None and key.figure == "step" and key.act == "run":
        yield Bound(node.shuttle.run_timeout_ms, "its run_timeout_ms")


def in_axis_units(chart: Chart, site: Site | None, was: float, is_: float) -> str:
    """How far a crane's axis moves along when a rest reading changes; '' where no table tells."""
    if site is None or chart.series.key.figure != "reading":
        return ""
    for crane, table in _tables(site, chart.series.key.node):
        known = site.nodes[crane].crane
        assert known is not None
        far = _position(table, is_) - _position(table, was)
        return f"{abs(far):.1f} {known.axes[0].unit} on {known.axes[0].name} of {crane}"
    return ""


def _tables(site: Site, berth: str) -> Iterator[tuple[str, tuple[tuple[int, int], ...]]]:
    """Cranes that reach a berth's track, with their tables."""
    track = site.place_of(berth)
    for node in site.nodes.values():
        place = node.crane.places.get(track.name) if node.crane is not None and track is not None else None
        if place is not None and place.table:
            yield node.name, place.table


def _position(table: Sequence[tuple[int, int]], reading: float) -> float:
    """The axis position of a mean reading; beyond the table along its last piece: for words, never to drive to."""
    after = next((number for number, (point, _) in enumerate(table) if point >= reading), len(table) - 1)
    (x0, y0), (x1, y1) = table[max(after, 1) - 1], table[max(after, 1)]
    return y0 + (y1 - y0) * (reading - x0) / (x1 - x0)
