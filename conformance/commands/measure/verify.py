"""`yardwire measure verify`: does the written table hold what was stated of it?"""

from __future__ import annotations

from itertools import groupby
from pathlib import Path
from typing import TYPE_CHECKING

import click

from conformance.commands.measure.options import measured, pairs_options, read_pairs_file, tell
from conformance.commands.options import json_output

if TYPE_CHECKING:
    from conformance.measure.check_run import Checked


@click.command()
@pairs_options
@click.argument("checks_file", metavar="CHECKS", type=click.Path(path_type=Path, dir_okay=False))
@click.option("--axis", type=click.FloatRange(min=0), default=0.0, help="Repeatability of the axis.")
@click.option(
    "--play", type=click.FloatRange(min=0), help="Play of the axis, instead of what the pairs show."
)
def verify(
    pairs_file: Path, site_path: Path, crane: str | None, place: str | None, without: tuple[int, ...],
    html: Path | None, as_json: bool, checks_file: Path, axis: float, play: float | None,
) -> int:  # fmt: skip
    """Hold the pairs in CHECKS, collected after the table was written, against what the pairs in PAIRS said of it.

    The table is the one in the site file. Arrivals at readings that PAIRS has are left out. Collect CHECKS with
    'yardwire measure collect': that waits until the board says the digest of the site file. Exit 1 where more lie
    outside than chance makes, and where too few were measured to tell.

    Example: yardwire measure verify pairs.csv checks.csv
    """
    from conformance.measure.budget.landing import Statements, landings
    from conformance.measure.check_run import checked
    from protocol.position_table import PositionTable

    found = measured(pairs_file, site_path, crane, place, without, html)
    table = PositionTable(found.entry.table)
    statements = Statements(axis, play, 0.0, 0.0)
    (slot,) = landings(found.arrivals, found.shown, found.choice.curve, table, statements, 1, 0.0)
    rows = [
        list(group)
        for _, group in groupby(read_pairs_file(checks_file), key=lambda pair: (pair.reading, pair.train))
    ]
    result = checked(table, slot.budget.expanded, {pair.reading for pair in found.pairs}, rows)
    if as_json:
        told = lines(result, found.axis.unit)
        wrong = [] if result.holds else [json_output.finding(told[1], where=str(checks_file))]
        json_output.tell(
            _json(result),
            exit_code=0 if result.holds else 1,
            verdict=json_output.judged(wrong),
            findings=wrong,
        )
    else:
        tell(*lines(result, found.axis.unit))
    return 0 if result.holds else 1


def lines(result: Checked, unit: str) -> list[str]:
    """The answer in two lines."""
    inside = result.number - result.outside
    left = [f"{result.known} at readings that were measured"] if result.known else []
    left += [f"{result.beyond} beyond the table"] if result.beyond else []
    first = (
        f"checked: {inside} of {result.number} arrivals lie within {result.within:.2g} {unit}, as 95 % should"
    )
    first += (
        f"; the worst is {result.worst:+.2g} {unit} at reading {result.worst_at}" if result.number else ""
    )
    first += f"; left out: {', '.join(left)}" if left else ""
    if result.holds is None:
        return [first, "too few arrivals to tell: measure at more readings"]
    if result.holds:
        return [first, "the table is as stated"]
    second = f"NOT as stated: chance puts so many outside in {result.chance:.1%} of such runs. "
    second += "Something has changed since, or the table in the board is another: measure again"
    return [first, second]


def _json(result: Checked) -> dict[str, object]:
    return {
        "arrivals": result.number, "outside": result.outside, "within": result.within, "worst": result.worst,
        "worst_at": result.worst_at, "chance": result.chance, "holds": result.holds, "known": result.known,
        "beyond": result.beyond,
    }  # fmt: skip
