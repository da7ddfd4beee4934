"""The values of one figure over runs, in the order of the wall clock."""

from __future__ import annotations

from array import array
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, field

from conformance.recordings.trend.figure import Key
from conformance.recordings.trend.run_figures import TrendRun
from protocol.trouble import Trouble


@dataclass(slots=True)
class Series:
    """One figure: when each of its runs began (seconds since 1970, UTC), its value, and which run it was."""

    key: Key
    at: array[float] = field(default_factory=lambda: array("d"))
    values: array[float] = field(default_factory=lambda: array("d"))
    runs: array[int] = field(default_factory=lambda: array("q"))
    """Places in the list of runs."""

    def __len__(self) -> int:
        return len(self.values)


@dataclass(frozen=True, slots=True)
class Marked:
    """Places in the list of runs: limits are learned from `good`, where it is not empty, and never from `bad`."""

    good: frozenset[int] = frozenset()
    bad: frozenset[int] = frozenset()


def marked(runs: Sequence[TrendRun], good: Collection[str] = ()) -> Marked:
    """What was said of runs; those that `good` names count as good, and no others then. Raises Trouble."""
    bad = frozenset(number for number, run in enumerate(runs) if run.bad)
    if good:
        return Marked(named([run.name for run in runs], good).good, bad)
    return Marked(frozenset(number for number, run in enumerate(runs) if run.good), bad)


def named(runs: Sequence[str], good: Collection[str]) -> Marked:
    """The runs of these names as good ones. Raises Trouble for a name that no run has."""
    unknown = sorted(set(good) - set(runs))
    if unknown:
        known = ", ".join(runs[:3])
        raise Trouble(f"there is no run {unknown[0]!r}", fix=f"The first ones are {known}")
    return Marked(frozenset(number for number, run in enumerate(runs) if run in good))


def series_of(runs: Sequence[TrendRun]) -> list[Series]:
    """Every figure of runs that stand in the order of their beginning."""
    found: dict[Key, Series] = {}
    for number, run in enumerate(runs):
        at = run.began.timestamp()
        for key, value in run.figures.items():
            series = found.get(key)
            if series is None:
                series = found[key] = Series(key)
            series.at.append(at)
            series.values.append(value)
            series.runs.append(number)
    return in_order(found.values())


def in_order(found: Iterable[Series]) -> list[Series]:
    """As people look for them: by node and figure."""
    return sorted(found, key=lambda series: series.key)
