"""All charts as one self-contained HTML page."""

from __future__ import annotations

from itertools import groupby

from conformance.recordings.trend.chart import Chart, false_alarm_every
from conformance.recordings.trend.drawing import drawn
from conformance.recordings.trend.limits import FEWEST, TOGETHER, Limits
from conformance.recordings.trend.report import Trend
from conformance.recordings.trend.wording import amount, day
from conformance.templates import environment

MOST_CHARTS = 600
"""Drawn on one page; those that alarmed come first."""


def trend_page(title: str, trend: Trend) -> str:
    """Render the page."""
    alarmed = {id(finding.chart) for finding in trend.findings}
    quiet = [chart for chart in trend.charts if id(chart) not in alarmed]
    quiet = quiet[: max(0, MOST_CHARTS - len(trend.findings))]
    nodes = [
        (node, [_card(chart, trend) for chart in charts])
        for node, charts in groupby(quiet, key=lambda chart: chart.series.key.node)
    ]
    return (
        environment()
        .get_template("trend.html.j2")
        .render(
            title=title,
            trend=trend,
            promise=false_alarm_every(trend.once_in),
            alarmed=[(finding, _card(finding.chart, trend)) for finding in trend.findings[:MOST_CHARTS]],
            nodes=nodes,
            left_out=len(trend.charts) - len(trend.findings) - len(quiet),
            fewest=FEWEST,
        )
    )


def _card(chart: Chart, trend: Trend) -> dict[str, str]:
    return {
        "title": str(chart.series.key),
        "unit": chart.series.key.kind.unit,
        "figure": drawn(chart, trend.runs),
        "below": _below(chart),
    }


def _below(chart: Chart) -> str:
    """The figures of a chart in a line."""
    limits, series = chart.limits, chart.series
    newest = f"last {amount(chart, series.values[-1])} on {day(series.at[-1])}"
    if limits is None:
        return f"{newest}; nothing is judged yet: {len(series)} of {FEWEST} runs"
    if isinstance(limits, Limits):
        low, high = (amount(chart, level) for level in (limits.lower, limits.upper))
        return f"{newest}; usual {amount(chart, limits.centre)}, limits {low} to {high}"
    return f"{newest}; at most {limits.most_together} in {TOGETHER} runs, of one run {limits.most} count"
