"""`yardwire runs summary DIR`: what there is in a store of exported runs."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import click

from conformance.commands.options import json_output
from conformance.commands.terminal.quiet import quiet_option


@click.command()
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path, file_okay=False))
@click.option(
    "--cluster", metavar="ADDRESS", help="Work on this Dask scheduler; 'local': on processes of this machine."
)
@quiet_option
@json_output.json_option("Print every run in one JSON document, a run a line.")
def summary(folder: Path, cluster: str | None, as_json: bool) -> None:
    """Sum up the runs that 'yardwire runs export' wrote below DIR, a line a day.

    DuckDB reads them where it is installed, else pyarrow; a day at a time, so that memory does not grow with years.

    Example: yardwire runs summary store
    """
    from conformance.recordings.store.summary import runs_of_store

    if as_json:

        def rows() -> Iterator[dict[str, object]]:
            for day in runs_of_store(folder, cluster):
                yield from (run.as_json() for run in day)

        json_output.tell_rows("runs", rows())
        return
    total = [0, 0]
    for day in runs_of_store(folder, cluster):
        if not day:
            continue
        messages = sum(run.messages for run in day)
        total = [total[0] + len(day), total[1] + messages]
        results = {
            result: sum(run.result == result for run in day) for result in sorted({run.result for run in day})
        }
        invalid, lost = sum(run.invalid for run in day), sum(run.lost for run in day)
        told = ", ".join(f"{number} {result}" for result, number in results.items())
        counts = f"{len(day):>6,} runs  {messages:>12,} messages  {invalid:>8,} invalid  {lost:>8,} lost"
        click.echo(f"{day[0].began:%Y-%m-%d}  {counts}  {told}")
    click.echo(f"{total[0]:,} runs, {total[1]:,} messages")
