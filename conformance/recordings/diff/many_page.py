"""Many runs compared, as one self-contained HTML page: each group with its evidence."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from conformance.recordings.diff.associations import NEEDS, Association, scipy_is_there
from conformance.recordings.diff.many import Group, Logs, ManyRuns
from conformance.recordings.diff.many_text import goes_along, learned, sentence, sums
from conformance.recordings.diff.page import Row, rows_of
from conformance.templates import environment

MOST_ROWS = 60
"""Rows side by side of one group."""
MOST_MEMBERS = 200
LEFT, WIDTH = 8.0, 984.0
"""Where time begins and how far it goes in the strip, of 1000 units."""


@dataclass(frozen=True, slots=True)
class Dot:
    """One run on the strip of time."""

    x: float
    group: int
    """0 is good, -1 like the good ones."""
    name: str


@dataclass(frozen=True, slots=True)
class Shown:
    """One group as the page has it."""

    number: int
    sentence: str
    group: Group
    goes_along: list[str]
    questions: Sequence[Association]
    rows: list[Row]


def many_page(found: ManyRuns, together: Sequence[Sequence[Association]], logs: Logs) -> str:
    """Render the page."""
    shown = []
    for number, (group, rows) in enumerate(zip(found.groups, together, strict=True), 1):
        assert found.reference is not None
        log = logs.of(group.example.run)
        side = rows_of(group.sequence, found.reference, log)[:MOST_ROWS]
        shown.append(Shown(number, sentence(found, group), group, goes_along(rows), rows, side))
    times = [run.began for run in found.index.runs]
    return (
        environment()
        .get_template("many.html.j2")
        .render(
            found=found,
            learned=learned(found),
            sums=sums(found),
            shown=shown,
            dots=_dots(found),
            first=min(times, default="")[:16].replace("T", " "),
            last=max(times, default="")[:16].replace("T", " "),
            reference=found.reference.name if found.reference else "",
            most_members=MOST_MEMBERS,
            needs="" if scipy_is_there() else NEEDS,
        )
    )


def _dots(found: ManyRuns) -> list[Dot]:
    """All runs by the wall clock; what differs is drawn last, on top."""
    group_of = {
        str(one.run.name): number for number, group in enumerate(found.groups, 1) for one in group.members
    }
    good = {str(run.name) for run in found.good}
    seconds = {str(run.name): datetime.fromisoformat(run.began).timestamp() for run in found.index.runs}
    if not seconds:
        return []
    begin = min(seconds.values())
    span = max(seconds.values()) - begin or 1.0
    dots = [
        Dot(
            round(LEFT + WIDTH * (at - begin) / span, 1),
            group_of.get(name, 0 if name in good and not found.assumed else -1),
            name,
        )
        for name, at in seconds.items()
    ]
    return sorted(dots, key=lambda one: one.group)
