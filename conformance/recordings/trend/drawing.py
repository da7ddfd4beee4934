"""A small control chart as SVG, its time axis the wall clock; colours are those of the page."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from html import escape

from conformance.recordings.trend.chart import Chart
from conformance.recordings.trend.limits import Limits

WIDTH, HEIGHT = 340, 150
LEFT, RIGHT, TOP, BOTTOM = 46, 8, 8, 22
MOST_POINTS = 240
"""Drawn of one chart; of more, the least and the greatest of each stretch of time."""
STEPS_S = (
    1, 5, 15, 30, 60, 300, 900, 1800, 3600, 3 * 3600, 6 * 3600, 12 * 3600, 86_400, 2 * 86_400, 7 * 86_400, 14 * 86_400,
    28 * 86_400, 91 * 86_400, 182 * 86_400, 365 * 86_400,
)  # fmt: skip
MOST_TICKS = 4

XY = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Axis:
    """Values to places on the picture."""

    low: float
    high: float
    start: float
    end: float

    def at(self, value: float) -> float:
        """Where a value lies."""
        return self.start + (value - self.low) / (self.high - self.low) * (self.end - self.start)


def drawn(chart: Chart, runs: Sequence[str]) -> str:
    """The chart: what was learned from, centre, limits, values, EWMA, alarms."""
    series, limits = chart.series, chart.limits
    across = _axis(series.at, LEFT, WIDTH - RIGHT, least=60.0)
    seen = [*series.values, *chart.averages, *_levels(chart)]
    up = _axis(seen, HEIGHT - BOTTOM, TOP, least=1.0)
    parts = [*_times(across), *_amounts(up)]
    if chart.learned_from:
        begin, end = (
            across.at(series.at[point]) for point in (chart.learned_from[0], chart.learned_from[-1])
        )
        wide = max(end - begin, 2.0)
        parts.append(
            f'<rect class="learned" x="{begin:.1f}" y="{TOP}" width="{wide:.1f}" height="{HEIGHT - TOP - BOTTOM}"/>'
        )
    for kind, level in zip(("limit", "limit", "centre"), _levels(chart), strict=False):
        y = up.at(level)
        parts.append(f'<path class="{kind}" d="M{LEFT} {y:.1f}H{WIDTH - RIGHT}"/>')
    values = list(zip(series.at, series.values, strict=True))
    shown = [(across.at(x), up.at(y)) for x, y in _thinned(values)]
    parts.append(f'<path class="dots" d="{"".join(f"M{x:.1f} {y:.1f}h0" for x, y in shown)}"/>')
    if chart.averages:
        line = _thinned(list(zip(series.at[chart.first_judged :], chart.averages, strict=True)))
        parts.append(
            f'<path class="ewma" d="M{"L".join(f"{across.at(x):.1f} {up.at(y):.1f}" for x, y in line)}"/>'
        )
    for alarm in chart.alarms[-MOST_POINTS:]:
        x, y = across.at(series.at[alarm.index]), up.at(series.values[alarm.index])
        what = f"{runs[series.runs[alarm.index]]}: {alarm.test} {alarm.value:.6g}, limit {alarm.limit:.6g}"
        parts.append(
            f'<circle class="alarm" cx="{x:.1f}" cy="{y:.1f}" r="5"><title>{escape(what)}</title></circle>'
        )
    title = escape(
        f"{series.key}: {len(series)} runs" + ("" if limits is None else f", {len(chart.alarms)} alarms")
    )
    body = "\n".join(parts)
    return f'<svg viewBox="0 0 {WIDTH} {HEIGHT}" role="img" aria-label="{title}">\n{body}\n</svg>'


def _levels(chart: Chart) -> list[float]:
    """Lower and upper limit, and the centre."""
    limits = chart.limits
    if limits is None:
        return []
    if isinstance(limits, Limits):
        return [limits.lower, limits.upper, limits.centre]
    return [float(limits.most), float(limits.most), limits.centre]


def _axis(values: Sequence[float], start: float, end: float, *, least: float) -> Axis:
    low, high = min(values), max(values)
    room = max((high - low) * 0.06, least / 2 if high - low < least else 0.0)
    return Axis(low - room, high + room, start, end)


def _thinned(points: list[XY]) -> list[XY]:
    if len(points) <= MOST_POINTS:
        return points
    size = math.ceil(len(points) / (MOST_POINTS // 2))
    kept: list[XY] = []
    for begin in range(0, len(points), size):
        part = points[begin : begin + size]
        kept.extend(sorted({min(part, key=lambda one: one[1]), max(part, key=lambda one: one[1])}))
    return kept


def _times(axis: Axis) -> Iterator[str]:
    """Ticks at round times of the wall clock, UTC."""
    span = axis.high - axis.low
    step = next(
        (step for step in STEPS_S if span / step <= MOST_TICKS),
        STEPS_S[-1] * math.ceil(span / STEPS_S[-1] / 4),
    )
    day = datetime.fromtimestamp(axis.low, UTC).replace(hour=0, minute=0, second=0, microsecond=0)
    number = math.ceil((axis.low - day.timestamp()) / step)
    while (at := day.timestamp() + number * step) <= axis.high:
        moment = day + timedelta(seconds=number * step)
        text = (
            f"{moment.day} {moment:%b}"
            if step >= 86_400
            else f"{moment:%H:%M}"
            if step >= 60
            else f"{moment:%H:%M:%S}"
        )
        if step >= 91 * 86_400:
            text = f"{moment:%b %Y}"
        x = axis.at(at)
        yield f'<path class="grid" d="M{x:.1f} {TOP}V{HEIGHT - BOTTOM}"/>'
        where = "middle" if LEFT + 18 < x < WIDTH - 26 else "start" if x <= LEFT + 18 else "end"
        yield f'<text class="faint" x="{x:.1f}" y="{HEIGHT - 7}" text-anchor="{where}">{text}</text>'
        number += 1


def _amounts(axis: Axis) -> Iterator[str]:
    step = _round_step((axis.high - axis.low) / 3)
    number = math.ceil(axis.low / step)
    while number * step <= axis.high:
        y = axis.at(number * step)
        yield f'<path class="grid" d="M{LEFT} {y:.1f}H{WIDTH - RIGHT}"/>'
        yield f'<text x="{LEFT - 5}" y="{y + 4:.1f}" text-anchor="end">{number * step:.6g}</text>'
        number += 1


def _round_step(about: float) -> float:
    power = 10.0 ** math.floor(math.log10(about))
    return next(step * power for step in (1, 2, 5, 10) if step * power >= about)
