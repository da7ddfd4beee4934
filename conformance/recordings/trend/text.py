"""The trend as text for a terminal."""

from __future__ import annotations

from collections.abc import Iterator

from conformance.recordings.trend.chart import false_alarm_every
from conformance.recordings.trend.limits import FEWEST
from conformance.recordings.trend.report import Trend
from conformance.recordings.trend.wording import days, learned_from


def lines(trend: Trend, most: int) -> Iterator[str]:
    """What was looked at, then `most` alarms."""
    judged = [chart for chart in trend.charts if chart.limits is not None]
    times = [chart.series.at for chart in trend.charts]
    when = days(min(at[0] for at in times), max(at[-1] for at in times))
    yield f"{len(trend.runs)} runs, {when}; {len(trend.charts)} figures, {len(judged)} of them judged"
    if not judged:
        yield f"Nothing can be judged yet: limits are learned from {FEWEST} runs or more"
        return
    learned = max((learned_from(chart) for chart in judged), key=len)
    yield f"Learned from {learned}; {false_alarm_every(trend.once_in)}"
    if not trend.findings:
        yield "Nothing has left its limits"
    for finding in trend.findings[:most]:
        yield ""
        yield f"{finding.chart.series.key}"
        yield f"  {finding.says}"
        yield f"  first at {finding.run}"
    if len(trend.findings) > most:
        yield f"\n{len(trend.findings) - most} more; --all shows them"
