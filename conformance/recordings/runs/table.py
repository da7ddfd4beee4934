"""The list of runs for the terminal: two lines at most a run, 80 columns."""

from __future__ import annotations

import textwrap
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence

from conformance.recordings.runs.marks import Mark
from conformance.recordings.runs.run import Result, Run
from protocol.foreign_text import one_line

WIDTH = 80
LEAST_NAME = 14
INDENT = " " * 6


def table(rows: Sequence[tuple[str, Run, Mark]]) -> Iterator[str]:
    """Each run with the name that is to be shown; what is unusual about it stands below."""
    if not rows:
        yield "No run."
        return
    width = max(LEAST_NAME, *(len(one_line(name)) for name, _, _ in rows))
    yield f"{'run':<{width}}  {'began (UTC)':<16} {'lasted':>8} {'jobs':>7}  result"
    for name, run, mark in rows:
        began = run.began[:16].replace("T", " ")
        jobs = f"{run.facts.jobs.get('done', 0)}/{sum(run.facts.jobs.values())}"
        word = f" [{mark.mark}]" if mark.mark else ""
        yield f"{one_line(name):<{width}}  {began:<16} {lasted(run.duration_s):>8} {jobs:>7}  {run.result}{word}"
        told = "; ".join(remarks(run, mark))
        if told:
            yield from textwrap.wrap(told, WIDTH, initial_indent=INDENT, subsequent_indent=INDENT)
    counts = Counter(run.result for _, run, _ in rows)
    sums = ", ".join(f"{counts[result]} {result}" for result in Result if counts[result])
    yield f"{len(rows):,} run{'s' * (len(rows) != 1)}: {sums}"


def lasted(seconds: float) -> str:
    """A time as people say it."""
    if seconds < 120:
        return f"{seconds:.1f} s"
    if seconds < 7200:
        return f"{seconds / 60:.1f} min"
    return f"{seconds / 3600:.1f} h"


def remarks(run: Run, mark: Mark) -> Iterator[str]:
    """What is unusual about a run, and what was said of it."""
    facts = run.facts
    states = {state: number for state, number in facts.jobs.items() if state != "done"}
    told = (
        ("train ", ", ".join(map(one_line, facts.trains[:4]))),
        ("jobs: ", ", ".join(f"{number} {state}" for state, number in states.items())),
        ("fault ", _counted(facts.faults)),
        ("restarted: ", (_counted(facts.resets) or str(run.restarts)) if run.restarts else ""),
        ("reconnected: ", _counted(facts.reconnects)),
        ("messages lost: ", f"{facts.lost:,}" if facts.lost else ""),
        ("connections of the recorder lost: ", str(facts.connection_losses or "")),
        ("invalid: ", f"{facts.invalid:,}" if facts.invalid else ""),
        ("its beginning is not there", "." if run.fragment else ""),
        ("", run.cut),
        ("bookmark: ", mark.bookmark),
        ("note: ", mark.note),
        *((f"{one_line(name)} ", str(value)) for name, value in mark.figures.items()),
    )
    return ((what + text).removesuffix(".") for what, text in told if text)


def _counted(counts: Mapping[str, int]) -> str:
    return ", ".join(
        f"{one_line(name)}{f' {number}x' if number > 1 else ''}" for name, number in counts.items()
    )
