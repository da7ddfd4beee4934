"""`yardwire measure budget`: will the box land?"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from conformance.commands.measure.options import generator, measured, pairs_options, tell
from conformance.commands.options import json_output
from conformance.files.whole_file import write
from protocol.trouble import Trouble

if TYPE_CHECKING:
    from conformance.measure.page import BudgetAnswer

_FIGURE = click.FloatRange(min=0)


@click.command()
@pairs_options
@click.option(
    "--catches", type=click.FloatRange(min=0, min_open=True), help="Instead of the site file's catches."
)
@click.option("--axis", type=_FIGURE, default=0.0, help="Repeatability of the axis (standard deviation).")
@click.option("--play", type=_FIGURE, help="Play of the axis, instead of what the pairs show.")
@click.option("--geometry", type=_FIGURE, default=0.0, help="How far a slot may lie off, to either side.")
@click.option("--slack", type=_FIGURE, default=0.0, help="How far one coupling gives, to either side.")
def budget(
    pairs_file: Path,
    site_path: Path,
    crane: str | None,
    place: str | None,
    without: tuple[int, ...],
    html: Path | None,
    as_json: bool,
    catches: float | None,
    axis: float,
    play: float | None,
    geometry: float,
    slack: float,
) -> int:
    """Say whether boxes land within what the wagon catches, from the pairs in the file PAIRS.

    The table is the one in the site file. All figures are in the unit of the crane's first axis; what the wagon
    catches stands in the site file as 'catches' of the place. Exit 1 where it is not shown that every slot is met.

    \b
    Examples:
      yardwire measure budget pairs.csv --catches 4
      yardwire measure budget pairs.csv --catches 4 --axis 0.2 --slack 0.3 --html budget.html
    """  # noqa: D301 - click wants the character itself
    from conformance.measure.budget.landing import Statements, landings
    from conformance.measure.budget.uncertainty import simulated
    from conformance.measure.page import BudgetAnswer, budget_page
    from protocol.position_table import PositionTable

    found = measured(pairs_file, site_path, crane, place, without, html)
    track = found.site.places[found.entry.place]
    caught = catches or float(track.catches)
    if not caught:
        raise Trouble(
            f"nobody has stated how far off a box may come down on {track.name}",
            where=str(site_path),
            fix=f"Add 'catches' to [places.{track.name}], or give --catches",
        )
    slots = landings(
        found.arrivals,
        found.shown,
        found.choice.curve,
        PositionTable(found.entry.table),
        Statements(axis, play, geometry, slack),
        track.slots,
        caught,
    )
    worst = min(slots, key=lambda one: one.margin)
    answer = BudgetAnswer(track.name, found.axis.unit, slots, simulated(worst.budget, generator()))
    if html is not None:
        write(html, budget_page(answer))
    if as_json:
        wrong = answer.worst.margin < 0
        json_output.tell(
            _json(answer), exit_code=int(wrong), verdict=json_output.judged(wrong),
            findings=[json_output.finding(answer.first, where=answer.place)] if wrong else [],
        )  # fmt: skip
    else:
        tell(answer.first, answer.improve, answer.margins)
        if html is not None:
            click.echo(f"Figure: {html}")
    return 0 if answer.worst.margin >= 0 else 1


def _json(answer: BudgetAnswer) -> dict[str, Any]:
    return {
        "place": answer.place,
        "unit": answer.unit,
        "lands": answer.worst.margin >= 0,
        "catches": answer.worst.catches,
        "coverage": 0.95,
        "simulated": answer.simulated,
        "slots": [
            {
                "slot": one.slot,
                "within": one.budget.expanded,
                "margin": one.margin,
                "combined": one.budget.combined,
                "factor": one.budget.factor,
                "terms": [
                    {"name": term.name, "standard": term.standard, "share": share, "source": term.source}
                    for term, share in one.budget.shares
                ],
            }
            for one in answer.slots
        ],
    }
