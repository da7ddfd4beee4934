"""Pairs of rest reading and axis position as somebody measured them, and the plain file that keeps them."""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import StrEnum

from protocol.foreign_text import one_line
from protocol.trouble import Trouble

MOST_PAIRS = 400
"""More than anybody measures; what is played against chance would take too long over more."""
COLUMNS = ("time", "reading", "position", "approach", "train", "uncertainty")
NEEDED = ("reading", "position")
_NUMBER = re.compile(r"[+-]?[0-9]{1,9}(\.[0-9]{1,20})?")
_SHOWN = 40


class Approach(StrEnum):
    """Whence the axis came to the position: from smaller figures, from larger ones, or nobody noted it."""

    UP = "up"
    DOWN = "down"
    UNKNOWN = ""


@dataclass(frozen=True, slots=True)
class Pair:
    """One position, found by eye, for one rest reading; `line` is where it stands in its file."""

    reading: int
    position: float
    approach: Approach = Approach.UNKNOWN
    train: str = ""
    at_s: float | None = None
    """When it was taken, in s since any moment; None where nobody noted it."""
    uncertainty: float | None = None
    """Standard uncertainty of the position where it is known, in the axis's unit."""
    line: int = 0


def read_pairs(text: str, where: str) -> tuple[Pair, ...]:
    """The pairs of a CSV file; the first line that is no remark (`#`) names the columns.

    `reading` and `position` are needed, the other `COLUMNS` may be left out, others are not looked at. Semicolons
    part the columns where the first line has them. Raises Trouble with the line of the first mistake.
    """
    rows = [(number, line) for number, line in enumerate(text.splitlines(), 1) if _is_row(line)]
    if not rows:
        raise Trouble(
            "there is no pair in the file", where=where, fix="Its first line is: " + ",".join(COLUMNS[:5])
        )
    if len(rows) - 1 > MOST_PAIRS:
        raise Trouble(f"more than {MOST_PAIRS:,} pairs", where=where, fix="Take the newest ones")
    delimiter = ";" if ";" in rows[0][1] else ","
    names = [name.strip().lower() for name in _cells(rows[0][1], delimiter, where, rows[0][0])]
    missing = [name for name in NEEDED if name not in names]
    if missing:
        what = f"line {rows[0][0]}: no column '{missing[0]}'"
        raise Trouble(what, where=where, fix="The first line names the columns: " + ",".join(COLUMNS[:5]))
    return tuple(
        _pair(names, _cells(line, delimiter, where, number), where, number) for number, line in rows[1:]
    )


def pairs_text(pairs: Iterable[Pair], remark: Sequence[str] = ()) -> str:
    """The file of these pairs, as `read_pairs` reads it; `remark` are lines that stand above it."""
    found = list(pairs)
    known = any(pair.uncertainty is not None for pair in found)
    columns = COLUMNS if known else COLUMNS[:5]
    lines = [f"# {line}" for line in remark] + [",".join(columns)]
    for pair in found:
        cells = [
            "" if pair.at_s is None else f"{pair.at_s:.3f}",
            str(pair.reading),
            f"{pair.position:.9g}",
            pair.approach.value,
            pair.train,
            "" if pair.uncertainty is None else f"{pair.uncertainty:.9g}",
        ]
        lines.append(",".join(cells[: len(columns)]))
    return "\n".join(lines) + "\n"


def _is_row(line: str) -> bool:
    return bool(line.strip()) and not line.lstrip().startswith("#")


def _cells(line: str, delimiter: str, where: str, number: int) -> list[str]:
    try:
        return next(csv.reader(io.StringIO(line.lstrip("\ufeff")), delimiter=delimiter, strict=True))
    except (csv.Error, StopIteration) as error:
        raise Trouble(f"line {number}: not CSV: {error}", where=where, fix="Write one pair a line") from None


def _pair(names: Sequence[str], cells: Sequence[str], where: str, number: int) -> Pair:
    if len(cells) != len(names):
        what = f"line {number}: {len(cells)} columns where the first line names {len(names)}"
        raise Trouble(what, where=where, fix="A number has a decimal point, not a comma; leave cells empty")
    row = {name: cell.strip() for name, cell in zip(names, cells, strict=True)}
    try:
        reading = _number(row["reading"], "reading")
        if not reading.is_integer() or not -32768 <= reading <= 32767:
            raise ValueError(f"reading {row['reading']} is not a whole number of 16 bits")
        position = _number(row["position"], "position")
        if not -32768 <= position <= 32767:
            shown = one_line(row["position"][:_SHOWN])
            raise ValueError(f"position {shown} does not fit in 16 bits; measure in a larger unit")
        return Pair(
            int(reading),
            position,
            _approach(row.get("approach", "")),
            one_line(row.get("train", "")[:_SHOWN]),
            _time(row.get("time", "")),
            _uncertainty(row.get("uncertainty", "")),
            number,
        )
    except ValueError as error:
        raise Trouble(f"line {number}: {error}", where=where, fix="Fix that line, or take it out") from None


def _number(cell: str, name: str) -> float:
    if _NUMBER.fullmatch(cell) is None:
        raise ValueError(f"invalid {name} '{one_line(cell[:_SHOWN])}'")
    return float(cell)


def _approach(cell: str) -> Approach:
    try:
        return Approach(cell.lower())
    except ValueError:
        raise ValueError(f"invalid approach '{one_line(cell[:_SHOWN])}': write up, down or nothing") from None


def _time(cell: str) -> float | None:
    if not cell:
        return None
    if re.fullmatch(r"[0-9]{1,12}(\.[0-9]{1,6})?", cell):
        return float(cell)
    try:
        found = datetime.fromisoformat(cell)
    except ValueError:
        raise ValueError(
            f"invalid time '{one_line(cell[:_SHOWN])}': write 2026-05-01T10:00:00Z or seconds"
        ) from None
    return (found if found.tzinfo else found.replace(tzinfo=UTC)).timestamp()


def _uncertainty(cell: str) -> float | None:
    if not cell:
        return None
    found = _number(cell, "uncertainty")
    if not (math.isfinite(found) and found > 0):
        raise ValueError(f"uncertainty {cell} is not above 0")
    return found
