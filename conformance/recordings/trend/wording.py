"""What a chart says, in a sentence with units: what changed, since when, how fast, and where it ends."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime

from conformance.recordings.trend.chart import Alarm, Chart
from conformance.recordings.trend.limits import TOGETHER, EventLimits, Limits
from conformance.recordings.trend.outlook import Outlook, in_axis_units, outlook_of
from protocol.site import Site

MORE_LESS = {
    "step": ("takes {} longer", "takes {} less"),
    "reading": ("the rest reading is {} higher", "the rest reading is {} lower"),
    "arm_to_end": (
        "the end sensor closes {} later behind the arming sensor",
        "the end sensor closes {} earlier behind the arming sensor",
    ),
    "ignored": ("{} more pulses are ignored before arming", "{} fewer pulses are ignored before arming"),
    "answer": ("answers {} later", "answers {} earlier"),
    "lost": ("{} more are lost in a run", "{} fewer are lost in a run"),
    "reconnects": ("{} more new ones in a run", "{} fewer new ones in a run"),
    "invalid": ("{} more in a run are not valid", "{} fewer in a run are not valid"),
    "gap": ("its longest silence is {} longer", "its longest silence is {} shorter"),
}
"""What a change upwards and one downwards means."""
EVENTS = {"lost": "lost", "reconnects": "new connections or boots", "invalid": "not valid"}


def says(chart: Chart, runs: Sequence[str], site: Site | None) -> str:
    """What the newest alarm of a chart means; `runs` are the names of all runs."""
    alarm = chart.alarms[-1]
    if isinstance(chart.limits, EventLimits):
        return _events(chart, chart.limits, alarm, runs)
    assert isinstance(chart.limits, Limits)
    outlook = outlook_of(chart, site)
    assert outlook is not None
    limits, key = chart.limits, chart.series.key
    what = MORE_LESS[key.figure][0 if outlook.shift > 0 else 1].format(amount(chart, abs(outlook.shift)))
    share = f"{outlook.shift / limits.centre:+.1%}".replace("%", " %") if limits.centre else ""
    axis = in_axis_units(chart, site, limits.centre, outlook.now)
    beside = "; ".join(part for part in (axis, share) if part)
    said = (
        f"{what}{f' ({beside})' if beside else ''} than in {learned_from(chart)}, since {day(outlook.since)}"
    )
    return said + _ahead(chart, outlook)


def _ahead(chart: Chart, outlook: Outlook) -> str:
    said = ""
    if outlook.per_week is not None:
        rate = amount(chart, abs(outlook.per_week))
        said = f", and {rate} {'more' if outlook.per_week > 0 else 'less'} every week"
    bound = outlook.bound
    if bound is None or outlook.weeks is None or outlook.meets is None:
        return said
    where = f"{bound.what}, {amount(chart, bound.value)}"
    if outlook.weeks == 0:
        return f"{said}; that is beyond {where}"
    return f"{said}; at this rate beyond {where}, in {weeks(outlook.weeks)} (about {day(outlook.meets)})"


def _events(chart: Chart, limits: EventLimits, alarm: Alarm, runs: Sequence[str]) -> str:
    what, run = EVENTS[chart.series.key.figure], runs[chart.series.runs[alarm.index]]
    usual = f"usual is {limits.centre:.2g} a run ({learned_from(chart)})"
    return f"{alarm.value:g} {what} in the {TOGETHER} runs up to {run}; {usual}"


def amount(chart: Chart, value: float) -> str:
    """A figure with its unit."""
    digits = 0 if value >= 30 or value == round(value) else 1 if value >= 3 else 2
    return f"{value:,.{digits}f} {chart.series.key.kind.unit}".rstrip()


def learned_from(chart: Chart) -> str:
    """The runs that the limits were learned from."""
    at = [chart.series.at[point] for point in chart.learned_from]
    return f"{len(at)} runs of {days(at[0], at[-1])}"


def days(first: float, last: float) -> str:
    """From a date to another one."""
    begin, end = (datetime.fromtimestamp(at, UTC) for at in (first, last))
    if begin.date() == end.date():
        return day(last)
    if begin.year != end.year:
        return f"{day(first)} to {day(last)}"
    return f"{begin.day}{f' {begin:%B}' if begin.month != end.month else ''} to {day(last)}"


def weeks(number: float) -> str:
    """How long that is."""
    if number < 1.5:
        days = max(1, round(number * 7))
        return f"{days} day{'s' if days > 1 else ''}"
    return f"{round(number)} weeks"


def day(at: float) -> str:
    """A date for people."""
    moment = datetime.fromtimestamp(at, UTC)
    return f"{moment.day} {moment:%B %Y}"
