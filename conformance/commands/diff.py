"""`yardwire diff`: what is different in behaviour between two recordings."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from conformance.commands.options import json_output
from conformance.commands.options.output_file import OutputFile
from conformance.commands.options.site import optional_site_option
from conformance.commands.terminal.quiet import chat, quiet_option
from conformance.files.whole_file import require_folder, write
from protocol.trouble import Trouble

if TYPE_CHECKING:
    from conformance.recordings.diff.difference import Comparison, Difference
    from protocol.site import Site

SHOWN = 20


@click.command()
@click.argument("recordings", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option(
    "--good", is_flag=True, help="All but the last recording are good runs; judge the last by them."
)
@optional_site_option("for its tolerances")
@click.option("--html", type=OutputFile(), help="Write a page, side by side.")
@json_output.json_option("Print everything as one JSON document.")
@quiet_option
@click.option("--all", "show_all", is_flag=True, help=f"Show all differences, not only the first {SHOWN}.")
def diff(
    recordings: tuple[Path, ...],
    good: bool,
    site_file: Path | None,
    html: Path | None,
    as_json: bool,
    show_all: bool,
) -> int:
    """Say what is different between two recordings or runs, or between all runs of a folder.

    Messages are matched by what they mean, not by when they came. Then: what is missing or extra, what has
    other figures, what came in another order, and what took longer or less. With --good and several good runs
    a duration counts only when it is beyond the scatter of those runs.

    Of a FOLDER all runs are held against those that are marked good ('yardwire runs mark'), or else against those
    that came to their end without a fault. They are grouped by where they first diverge, with what goes along.

    Exit 1 when something is different, and when one recording ends before the other was held against all of it:
    that is no proof that nothing is.

    \b
    Examples:
      yardwire diff good.ywrec bad.ywrec
      yardwire diff --good mon.ywrec tue.ywrec wed.ywrec -- bad.ywrec
      yardwire diff monday.ywrec#3 monday.ywrec#7
      yardwire diff recordings/ --html runs.html
    """  # noqa: D301 - click wants the character itself
    from conformance.recordings.diff.differences import compare
    from conformance.recordings.diff.event_log import Names
    from conformance.recordings.diff.events import event_log_of
    from conformance.recordings.diff.tolerance import Tolerance
    from conformance.recordings.runs.opening import opened

    require_folder(html)
    if len(recordings) == 1 and recordings[0].is_dir():
        return _many(recordings[0], site_file, html, as_json=as_json)
    if len(recordings) < 2:
        raise click.UsageError("name two recordings: a good one, then the other")
    if len(recordings) > 2 and not good:
        raise click.UsageError("more than two recordings need --good: all but the last are the good runs")
    names = Names()
    sources = [opened((path,)) for path in recordings]
    runs = [event_log_of(one.name, one.items(), names) for one in sources]
    result = compare(runs[:-1], runs[-1], Tolerance(_site(site_file)))
    result.notes.extend(cut for one in sources for cut in one.cuts)
    result.cut_off = any(one.broken_at is not None for one in sources)
    if not result.events:
        raise Trouble(
            "there is nothing to compare: it has no order, no report and no state in it",
            where=result.good[0].name,
            fix="Record it while something happens: yardwire record",
        )
    if html is not None:
        from conformance.recordings.diff.page import diff_page

        write(html, diff_page(result))
    code = 1 if result.differences or not result.complete else 0
    if as_json:
        rows = [_finding(one, result.other.name) for one in result.differences]
        json_output.tell(
            _json(result), exit_code=code, verdict=json_output.judged(code), findings=rows, notes=result.notes
        )
    else:
        _show(result, SHOWN if not show_all else len(result.differences), html)
    return code


def _finding(one: Difference, name: str) -> dict[str, Any]:
    where = f"{name}, message {one.number}" if one.number else name
    return json_output.finding(
        f"{one.sequence}: {one.words}" + (f": {one.detail}" if one.detail else ""), where=where
    )


def _many(folder: Path, site_file: Path | None, html: Path | None, *, as_json: bool) -> int:
    """All runs of a folder."""
    from conformance.commands.terminal import progress
    from conformance.commands.terminal.progress import Counting
    from conformance.recordings.diff import many_text
    from conformance.recordings.diff.associations import associations
    from conformance.recordings.diff.many import compare_runs
    from conformance.recordings.diff.tolerance import Tolerance
    from conformance.recordings.runs.index import index_of

    index = index_of(folder, tick=Counting("files read"))
    found, logs = compare_runs(
        index, Tolerance(_site(site_file)), tick=Counting("runs compared", len(index.runs))
    )
    groups = [[one.run for one in group.members] for group in found.groups]
    together = associations(groups, found.known, index.mark)
    progress.clear()
    if html is not None:
        from conformance.recordings.diff.many_page import many_page

        write(html, many_page(found, together, logs))
    code = 1 if found.groups or found.cut or found.unread or _unread(index.troubles) else 0
    if as_json:
        rows = [
            json_output.finding(
                f"{one.sequence}: {one.words}", where=", ".join(str(run.run.name) for run in one.members)
            )
            for one in found.groups
        ]
        json_output.tell(
            many_text.as_json(found, together), exit_code=code, verdict=json_output.judged(code), findings=rows,
            notes=index.troubles,
        )  # fmt: skip
    else:
        for line in many_text.lines(found, together):
            click.echo(line)
        if html is not None:
            chat(f"With the evidence of each group: {html}", err=False)
    for trouble in index.troubles:
        click.echo(f"note: {trouble}", err=True)
    return code


def _unread(troubles: list[str]) -> bool:
    """Whether any of these lines is of a file of which nothing can be said."""
    return any(not trouble.endswith("no run in it") for trouble in troubles)


def _site(path: Path | None) -> Site | None:
    if path is None:
        return None
    from protocol.site_file import load_site

    return load_site(path)


def _json(result: Comparison) -> dict[str, object]:
    first = result.first
    return {
        "good": [run.name for run in result.good],
        "other": result.other.name,
        "matched": result.matched,
        "complete": result.complete,
        "compared": result.events - result.not_reached,
        "of": result.events,
        "first": first.as_json() if first else None,
        "differences": [one.as_json() for one in result.differences],
    }


def _show(result: Comparison, most: int, html: Path | None) -> None:
    from conformance.recordings.diff.text import lines

    for line in lines(result, most):
        click.echo(line)
    if html is not None:
        chat(f"Side by side: {html}", err=False)
