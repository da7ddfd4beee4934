"""A comparison as one self-contained HTML page, the two runs side by side."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from conformance.recordings.diff.difference import Comparison, Difference
from conformance.recordings.diff.event_log import EventLog, EventSequence
from conformance.recordings.diff.matching import match
from conformance.recordings.diff.text import how_far, slow_parts
from conformance.recordings.wording import event_in_words
from conformance.templates import environment

MOST_ROWS = 4000
"""Rows of a page; differences and what stands around them come first."""
AROUND = 4
"""Matching events shown before and behind a difference."""


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the two columns; '' where a side has nothing. `left_out` counts matching events not shown."""

    kind: str
    good_time: str
    good: str
    time: str
    other: str
    detail: str = ""
    left_out: int = 0


def diff_page(result: Comparison) -> str:
    """Render the page."""
    reference = result.good[0]
    names = sorted({*reference.sequences, *result.other.sequences})
    found = {(one.sequence, one.number): one for one in result.differences}
    sequences = [(name, rows_of(name, reference, result.other, found)) for name in names]
    return (
        environment()
        .get_template("diff.html.j2")
        .render(
            result=result,
            first=result.first,
            how_far="" if result.complete else how_far(result),
            slow=list(slow_parts(result)),
            sequences=[(name, rows) for name, rows in sequences if any(row.kind != "same" for row in rows)],
            quiet=[name for name, rows in sequences if all(row.kind == "same" for row in rows)],
            differences=result.differences[:MOST_ROWS],
        )
    )


def rows_of(
    name: str,
    good: EventLog,
    other: EventLog,
    found: Mapping[tuple[str, int | None], Difference] | None = None,
) -> list[Row]:
    """One sequence of two runs side by side; `found` are the differences by sequence and message."""
    found = found or {}
    a, b = good.sequences.get(name, EventSequence()), other.sequences.get(name, EventSequence())
    rows: list[Row] = []
    x = y = 0
    for begin_a, begin_b, length in [*match(a.meanings, b.meanings), (len(a), len(b), 0)]:
        rows.extend(Row("missing", *_cell(good, a, i), "", "") for i in range(x, begin_a))
        rows.extend(Row("extra", "", "", *_cell(other, b, i)) for i in range(y, begin_b))
        for offset in range(length):
            one = found.get((name, b.numbers[begin_b + offset]))
            kind = one.kind if one and one.kind in ("changed", "slower", "faster", "order") else "same"
            detail = one.detail if one and kind != "same" else ""
            rows.append(
                Row(kind, *_cell(good, a, begin_a + offset), *_cell(other, b, begin_b + offset), detail)
            )
        x, y = begin_a + length, begin_b + length
    return _shortened(rows)[:MOST_ROWS]


def _cell(run: EventLog, sequence: EventSequence, index: int) -> tuple[str, str]:
    values = ", ".join(f"{name} {value}" for name, value in run.names.values[sequence.values[index]])
    words = event_in_words("", run.names.meanings[sequence.meanings[index]])
    return f"{sequence.at_us[index] / 1e6:.2f}", f"{words} ({values})" if values else words


def _shortened(rows: list[Row]) -> list[Row]:
    """The rows near a difference; long stretches of the same become one row that counts them."""
    near = bytearray(len(rows))
    for index, row in enumerate(rows):
        if row.kind != "same":
            begin, end = max(0, index - AROUND), min(len(rows), index + AROUND + 1)
            near[begin:end] = b"\x01" * (end - begin)
    shown: list[Row] = []
    skipped = 0
    for row, wanted in zip(rows, near, strict=True):
        if not wanted:
            skipped += 1
            continue
        if skipped:
            shown.append(Row("skip", "", "", "", "", left_out=skipped))
            skipped = 0
        shown.append(row)
    if skipped:
        shown.append(Row("skip" if shown else "same", "", "", "", "", left_out=skipped))
    return shown
