"""`yardwire runs export DIR`: runs as Parquet, for years of them and for other tools."""

from __future__ import annotations

from pathlib import Path

import click

from conformance.commands.options import json_output
from conformance.commands.terminal import progress
from conformance.commands.terminal.quiet import quiet_option, say_result


@click.command()
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path, file_okay=False))
@click.argument("recordings", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--cut", metavar="RULE", help="What begins a run, as for 'yardwire runs list'.")
@quiet_option
@json_output.json_option("Print the counts as one JSON document.")
def export(folder: Path, recordings: tuple[Path, ...], cut: str | None, as_json: bool) -> None:
    """Write the runs of RECORDINGS (folders, files or runs) below DIR as Parquet, in folders site=SITE/day=DAY.

    One row a message; columns with types, which stay as they are. Exporting a recording again writes its files over.
    'yardwire trend DIR' and 'yardwire runs summary DIR' read it, and so does whatever reads Parquet.

    Example: yardwire runs export store recordings
    """
    from conformance.recordings.runs.rule import cut_rule
    from conformance.recordings.store.export import export as write_all
    from conformance.recordings.trend.gathering import all_runs

    rule = cut_rule(cut, "--cut") if cut is not None else None
    runs = all_runs(recordings, rule, progress.Counting("files read"))
    done = write_all(folder, runs, progress.Counting("files written"))
    progress.clear()
    if as_json:
        json_output.tell(
            {"folder": str(folder), "runs": done.runs, "messages": done.messages, "files": done.files}
        )
        return
    say_result(f"{folder}: {done.runs:,} runs, {done.messages:,} messages, in {done.files:,} files")
