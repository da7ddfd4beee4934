"""`yardwire measure table`: from measured pairs to the table in the site file."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from conformance.commands.measure.options import measured, pairs_options, tell
from conformance.commands.options import json_output
from conformance.files.whole_file import write
from protocol.trouble import Trouble

if TYPE_CHECKING:
    from conformance.commands.measure.options import Measured
    from conformance.measure.page import TableAnswer


@click.command()
@pairs_options
@click.option(
    "--needed", type=click.FloatRange(min=0, min_open=True), help="How near it has to be; exit 1 if not."
)
@click.option(
    "--points", type=click.IntRange(2, 32), default=32, show_default=True, help="That the board can hold."
)
@click.option(
    "--keep", multiple=True, type=int, metavar="LINE", help="The pair that was asked about is right."
)
@click.option("--write", "to_write", is_flag=True, help="Write the table into the site file.")
def table(
    pairs_file: Path,
    site_path: Path,
    crane: str | None,
    place: str | None,
    without: tuple[int, ...],
    html: Path | None,
    as_json: bool,
    needed: float | None,
    points: int,
    keep: tuple[int, ...],
    to_write: bool,
) -> int:
    """Make the table of a crane over a track from the pairs in the file PAIRS.

    PAIRS is CSV: time,reading,position,approach,train (time, approach and train may be left out; approach is up or
    down). The answer says which curve was taken and how far off it may be (95 %), why one factor fails if it does,
    and where one more arrival helps most. A pair that does not fit is asked about, and nothing is written before
    --keep or --without answers. What is written is the table alone; comments and order of the file stay, and
    the old table stays as a comment.

    \b
    Examples:
      yardwire measure table pairs.csv
      yardwire measure table pairs.csv --needed 1 --html table.html
      yardwire measure table pairs.csv --points 8 --write
    """  # noqa: D301 - click wants the character itself
    from conformance.measure.findings import findings
    from conformance.measure.next_point import next_point
    from conformance.measure.outliers import doubts
    from conformance.measure.page import TableAnswer, table_page
    from conformance.measure.thinning import thin

    found = measured(pairs_file, site_path, crane, place, without, html)
    arrivals, curve = found.arrivals, found.choice.curve
    answer = TableAnswer(
        found.crane,
        found.entry.place,
        found.axis.unit,
        arrivals,
        found.shown,
        found.choice,
        findings(arrivals, found.shown, found.axis.unit),
        next_point(arrivals, curve, found.shown, needed),
        [one for one in doubts(arrivals, found.shown) if not set(one.lines) & set(keep)],
        thin(curve, float(arrivals.reading.min()), float(arrivals.reading.max()), points),
    )
    if html is not None:
        write(html, table_page(answer))
    digests = _write(found, answer, site_path) if to_write else None
    if as_json:
        wrong = answer.next.enough is False
        json_output.tell(
            _json(answer, digests), exit_code=int(wrong), verdict=json_output.judged(wrong),
            findings=[json_output.finding(str(one), where=str(pairs_file)) for one in answer.doubts],
        )  # fmt: skip
    else:
        _tell(answer, digests, site_path, html)
    return 1 if answer.next.enough is False else 0


def _write(found: Measured, answer: TableAnswer, site_path: Path) -> tuple[int, int]:
    """Write the file, and give the old and the new digest. Raises Trouble where a pair is in doubt."""
    from conformance.measure.site_table import replaced
    from protocol.site_file import read_site

    if answer.doubts:
        lines = " ".join(f"--keep {line}" for line in answer.doubts[0].lines[:1])
        raise Trouble(
            f"nothing is written while a pair is in doubt: {answer.doubts[0]}",
            fix=f"Then answer with {lines}, or leave it out with --without",
        )
    today = datetime.now(UTC).date().isoformat()
    text = replaced(
        site_path.read_bytes().decode("utf-8"), found.crane, found.entry.place, answer.table.points, today
    )
    site = read_site(text.encode(), f"{site_path}, with the new table")
    write(site_path, text)
    return found.site.nodes[found.crane].digest, site.nodes[found.crane].digest


def _tell(answer: TableAnswer, digests: tuple[int, int] | None, site_path: Path, html: Path | None) -> None:
    for doubt in answer.doubts:
        click.echo(f"question: {doubt}", err=True)
    tell(answer.first, answer.why, answer.go_on)
    if digests is not None:
        tell(
            f"Wrote {len(answer.table.points)} points into {site_path}; the digest of {answer.crane} was {digests[0]}, "
            f"is {digests[1]}."
        )
    if html is not None:
        click.echo(f"Plots: {html}")


def _json(answer: TableAnswer, digests: tuple[int, int] | None) -> dict[str, Any]:
    divided, left_out = answer.piece_bounds
    return {
        "crane": answer.crane,
        "place": answer.place,
        "unit": answer.unit,
        "arrivals": answer.arrivals.number,
        "curve": answer.choice.curve.name,
        "reason": answer.choice.reason,
        "within": answer.next.bound,
        "coverage": 0.95,
        "scatter": answer.choice.curve.sigma,
        "named": list(answer.shown.named),
        "why": answer.findings,
        "may_hide": answer.hidden,
        "straight_pieces": {"divided_differences": divided, "left_out": left_out},
        "next": {
            "reading": answer.next.reading,
            "within": answer.next.expected,
            "enough": answer.next.enough,
        },
        "questions": [
            {"lines": list(one.lines), "off": one.off, "times": one.times} for one in answer.doubts
        ],
        "table": [list(point) for point in answer.table.points],
        "table_off": answer.table.worst,
        "digest": None if digests is None else {"was": digests[0], "is": digests[1]},
    }
