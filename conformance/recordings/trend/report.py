"""All charts together: what a command, a page and a program are told."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from typing import Any

from conformance.recordings.trend.chart import NOTHING_SAID, Chart, Marked, charts_of
from conformance.recordings.trend.limits import LEARNED, RUNS_A_FALSE_ALARM
from conformance.recordings.trend.outlook import outlook_of
from conformance.recordings.trend.series import Series
from conformance.recordings.trend.wording import says
from protocol.site import Site


@dataclass(frozen=True, slots=True)
class Finding:
    """A chart that has alarmed, in words."""

    chart: Chart
    run: str
    """The run at which it alarmed first."""
    says: str
    weeks: float | None
    """Until it meets its bound; None where none is known."""


@dataclass(frozen=True, slots=True)
class Trend:
    """Every figure of a folder, judged."""

    runs: Sequence[str]
    """Names, in the order of their beginning."""
    charts: tuple[Chart, ...]
    findings: tuple[Finding, ...]
    """The most pressing first."""
    once_in: int
    """Undisturbed runs in which all charts alarm once at most, on the average."""

    @property
    def judged(self) -> int:
        """Charts that have learned enough to judge."""
        return sum(chart.limits is not None for chart in self.charts)

    def as_json(self) -> dict[str, Any]:
        """Everything, for programs."""
        return {
            "runs": list(self.runs),
            "charts_judged": self.judged,
            "average_run_length": self.once_in,
            "alarms": [
                {
                    **finding.chart.series.key._asdict(),
                    "run": finding.run,
                    "says": finding.says,
                    "weeks": finding.weeks,
                }
                for finding in self.findings
            ],
            "charts": [_chart_json(chart) for chart in self.charts],
        }


def trend_of(
    runs: Sequence[str],
    found: Sequence[Series],
    site: Site | None,
    said: Marked = NOTHING_SAID,
    *,
    learn: int = LEARNED,
    once_in: int = RUNS_A_FALSE_ALARM,
) -> Trend:
    """Judge all series of these runs; `said` is what people say of them."""
    charts = tuple(charts_of(found, said, learn=learn, once_in=once_in))
    findings = [_finding(chart, runs, site) for chart in charts if chart.alarms]
    findings.sort(key=lambda one: (one.weeks is None, one.weeks or 0.0, one.chart.series.key))
    return Trend(runs, charts, tuple(findings), once_in)


def _finding(chart: Chart, runs: Sequence[str], site: Site | None) -> Finding:
    outlook = outlook_of(chart, site)
    first = runs[chart.series.runs[chart.alarms[0].index]]
    return Finding(chart, first, says(chart, runs, site), outlook.weeks if outlook else None)


def _chart_json(chart: Chart) -> dict[str, Any]:
    series = chart.series
    return {
        **series.key._asdict(),
        "unit": series.key.kind.unit,
        "learned_from": [series.runs[point] for point in chart.learned_from],
        "limits": asdict(chart.limits) if chart.limits is not None else None,
        "points": [
            {"run": run, "time": datetime.fromtimestamp(at, UTC).isoformat(), "value": value}
            for run, at, value in zip(series.runs, series.at, series.values, strict=True)
        ],
        "ewma": chart.averages,
        "alarms": [asdict(alarm) for alarm in chart.alarms],
    }
