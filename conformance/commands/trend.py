"""`yardwire trend`: what drifts over weeks."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from conformance.commands.options import json_output
from conformance.commands.options.output_file import OutputFile
from conformance.commands.options.site import optional_site_option
from conformance.commands.terminal import progress
from conformance.commands.terminal.quiet import chat, quiet_option, say_result
from conformance.files.whole_file import require_folder, write
from protocol.trouble import Trouble

if TYPE_CHECKING:
    from conformance.recordings.runs.rule import CutRule
    from conformance.recordings.trend.chart import Marked
    from conformance.recordings.trend.report import Trend
    from conformance.recordings.trend.series import Series
    from protocol.site import Site

SHOWN = 20


@click.command()
@click.argument("recordings", nargs=-1, required=True, type=click.Path(path_type=Path))
@optional_site_option("for tables and time-outs")
@click.option(
    "--good", multiple=True, metavar="RUN", help="Learn the limits from this run; once for each run."
)
@click.option(
    "--learn", type=click.IntRange(8), default=20, show_default=True, help="Else from so many first runs."
)
@click.option(
    "--once-in", type=click.IntRange(20), default=200, show_default=True, metavar="RUNS",
    help="Accept one false alarm of all charts together in so many undisturbed runs.",
)  # fmt: skip
@click.option("--cut", metavar="RULE", help="What begins a run, as for 'yardwire runs'.")
@click.option(
    "--cluster", metavar="ADDRESS", help="Have a Dask cluster do it; 'local': processes of this machine."
)
@click.option("--html", type=OutputFile(), help="Write a page of small charts.")
@json_output.json_option("Print everything as one JSON document.")
@quiet_option
@click.option("--all", "show_all", is_flag=True, help=f"Show all alarms, not only the first {SHOWN}.")
def trend(
    recordings: tuple[Path, ...],
    site_file: Path | None,
    good: tuple[str, ...],
    learn: int,
    once_in: int,
    cut: str | None,
    cluster: str | None,
    html: Path | None,
    as_json: bool,
    show_all: bool,
) -> int:
    """Say what drifts: figures of every run, against limits that good runs teach.

    RECORDINGS are folders, recordings or runs, or one folder that 'yardwire runs export' wrote. Limits are learned
    from the runs of --good, else from those that were marked good ('yardwire runs mark'), else from the first ones,
    and never from one that is marked bad.

    For each node, act, step, place and train the run's durations, rest reading, answer time, gaps, losses, reconnects
    and invalid messages become a control chart. A shift or a slope is told in words and units, with --site also when
    it meets the end of a table or a time-out.

    Exit 1 when something has left its limits.

    \b
    Examples:
      yardwire trend recordings --site site.toml
      yardwire trend recordings --html trend.html
    """  # noqa: D301 - click wants the character itself
    from conformance.recordings.trend.report import trend_of

    require_folder(html)
    site = _site(site_file)
    names, series, said = _read(recordings, _rule(cut, site), good, cluster)
    found = trend_of(names, series, site, said, learn=learn, once_in=once_in)
    if html is not None:
        from conformance.recordings.trend.page import trend_page

        write(html, trend_page(f"{site.name if site else 'Recordings'}: what drifts", found))
    if as_json:
        json_output.tell(
            found.as_json(), exit_code=1 if found.findings else 0, verdict=json_output.judged(found.findings),
            findings=[json_output.finding(one.says, where=f"run {one.run}") for one in found.findings],
        )  # fmt: skip
    else:
        _show(found, SHOWN if not show_all else len(found.findings), html)
    return 1 if found.findings else 0


def _read(
    recordings: tuple[Path, ...], rule: CutRule | None, good: tuple[str, ...], cluster: str | None
) -> tuple[list[str], list[Series], Marked]:
    """Names of all runs, their figures as series, and what is said of them. Raises Trouble."""
    from conformance.recordings.store.dataset import is_store, trend_of_store
    from conformance.recordings.trend.gathering import runs_of
    from conformance.recordings.trend.series import marked, named, series_of

    if len(recordings) == 1 and is_store(recordings[0]):
        stored = trend_of_store(recordings[0], cluster)
        if not stored.names:
            fix = "Export recordings from the start of a supervisor on"
            raise Trouble("there is no whole run with a job in it", where=str(recordings[0]), fix=fix)
        return stored.names, stored.series, named(stored.names, good) if good else stored.marked
    if cluster is not None:
        fix = "Write them there first: yardwire runs export DIR RECORDINGS"
        raise Trouble(
            "a cluster works on what 'yardwire runs export' wrote", where=str(recordings[0]), fix=fix
        )
    runs = runs_of(recordings, rule, progress.Counting("files and runs read"))
    progress.clear()
    return [run.name for run in runs], series_of(runs), marked(runs, good)


def _rule(cut: str | None, site: Site | None) -> CutRule | None:
    from conformance.recordings.runs.rule import cut_rule, cut_rule_of

    if cut is not None:
        return cut_rule(cut, "--cut")
    if site is None or site.runs is None:
        return None
    return cut_rule_of(site.runs.cut, site.runs.jobs, "the site file, [runs]")


def _site(path: Path | None) -> Site | None:
    if path is None:
        return None
    from protocol.site_file import load_site

    return load_site(path)


def _show(found: Trend, most: int, html: Path | None) -> None:
    from conformance.recordings.trend.text import lines

    for line in lines(found, most):
        say_result(line)
    if html is not None:
        chat(f"Charts: {html}", err=False)
