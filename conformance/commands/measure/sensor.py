"""`yardwire measure sensor`: where may the arming sensor sit?"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from conformance.commands.measure.options import read_file, tell
from conformance.commands.options import json_output
from conformance.commands.options.output_file import OutputFile
from conformance.commands.terminal.quiet import quiet_option
from conformance.files.whole_file import require_folder, write

if TYPE_CHECKING:
    from conformance.measure.page import SensorAnswer

_FILE = click.Path(path_type=Path, dir_okay=False)


@click.command()
@click.argument("statements", type=_FILE)
@click.option("--recording", "recordings", multiple=True, type=_FILE, help="Arrivals of this recording too.")
@click.option("--html", type=OutputFile(), help="Write a page with a drawing.")
@quiet_option
@json_output.json_option("Print everything as one JSON document.")
def sensor(statements: Path, recordings: tuple[Path, ...], html: Path | None, as_json: bool) -> int:
    """Say where the arming sensor may sit for every train that the file STATEMENTS describes.

    Places are in mm along the track, in the direction in which trains come in; magnets in mm behind the front of
    their train. Every tolerance counts against the place. Exit 1 where no place suits every train, and where today's
    does not.

    \b
    A file:
      [track]
      end = 0              # the end sensor
      arming = 940         # today's place; leave it out where there is none
      debounce_ms = 3
      [trains.shunter]
      arming = 20          # mm behind the front
      motor = [85]
      couplings = [158, 182, 318, 342]
      end = 1150
      fastest = 180        # mm/s
      coasts = 60          # mm from arming until it creeps
    Examples:
      yardwire measure sensor trains.toml
      yardwire measure sensor trains.toml --recording run.ywrec --html sensor.html
    """  # noqa: D301 - click wants the character itself
    from conformance.measure.page import SensorAnswer, sensor_page
    from conformance.measure.sensor.arrivals_seen import arrivals_seen
    from conformance.measure.sensor.interval import answer
    from conformance.measure.sensor.statements import read_statements
    from conformance.recordings.runs.opening import opened

    require_folder(html)
    track, trains = read_statements(read_file(statements), str(statements))
    seen = arrivals_seen(opened(recordings, together=True).items()) if recordings else ()
    found = SensorAnswer(track, answer(track, trains), seen)
    if html is not None:
        write(html, sensor_page(found))
    margin = found.answer.margin
    fine = found.answer.exists and (margin is None or margin >= 0)
    if as_json:
        told = found.today if found.answer.exists else found.first
        json_output.tell(
            _json(found), exit_code=int(not fine), verdict=json_output.judged(not fine),
            findings=[] if fine else [json_output.finding(told, where=str(statements))],
        )  # fmt: skip
    else:
        tell(found.first, found.today, *found.heard)
        if html is not None:
            click.echo(f"Drawing: {html}")
    return 0 if fine else 1


def _json(found: SensorAnswer) -> dict[str, Any]:
    answer = found.answer
    return {
        "low": answer.low if answer.exists else None,
        "high": answer.high if answer.exists else None,
        "best": answer.best if answer.exists else None,
        "place": answer.place,
        "margin": answer.margin,
        "worst": answer.worst.train.name,
        "trains": [{"name": one.train.name, "low": one.low, "high": one.high} for one in answer.windows],
        "recorded": [
            {
                "node": one.node,
                "arrivals": one.number,
                "shortest_ms": one.shortest_ms,
                "ignored": list(one.ignored),
            }
            for one in found.seen
        ],
    }
