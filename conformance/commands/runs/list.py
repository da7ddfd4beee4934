"""`yardwire runs FOLDER`: one line a run."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from conformance.commands.options import json_output
from conformance.commands.options.site import optional_site_option
from conformance.commands.terminal import progress
from conformance.commands.terminal.quiet import quiet_option
from protocol.trouble import Trouble

if TYPE_CHECKING:
    from conformance.recordings.runs.index import RunIndex
    from conformance.recordings.runs.rule import CutRule
    from conformance.recordings.runs.run import Run


@click.command("list")
@click.argument("paths", nargs=-1, required=True, metavar="FOLDER...", type=click.Path(path_type=Path))
@click.option("--cut", metavar="RULE", help="What begins a run: supervisor, goal=JOB or jobs=JOB, JOB, ...")
@optional_site_option("whose [runs] says how to cut")
@click.option(
    "--result", metavar="WORD", help="Only those that came out so: done, failed, unfinished, empty."
)
@click.option("--marked", metavar="WORD", help="Only those that were marked good or bad, or have any 'note'.")
@quiet_option
@json_output.json_option("Print everything as one JSON document.")
def list_runs(
    paths: tuple[Path, ...],
    cut: str | None,
    site_file: Path | None,
    result: str | None,
    marked: str | None,
    as_json: bool,
) -> int:
    """List the runs of the recordings in folders, or in single files.

    Rotated parts that continue each other are one recording; packed ones (.zst) are read too. JOB is a node ('*' for
    any), an act and words of the order, such as 'south transfer siding'. The rule is kept in runs.toml beside the
    recordings, because the names of runs rest on it. What was found is kept there as well (.runs-index.json), and
    what has changed is read again.

    Exit 1 where a file could not be read, which is said in a line each.
    """
    from conformance.recordings.runs.run import Result

    if result is not None and result not in Result.__members__.values():
        raise click.UsageError(f"--result {result}: the results are {', '.join(Result)}")
    if marked not in (None, "good", "bad", "note"):
        raise click.UsageError(f"--marked {marked}: write good, bad or note")
    rule = _rule(cut, site_file)
    chosen: list[tuple[RunIndex, Run]] = []
    troubles: list[str] = []
    for index, files in _indexes(paths, rule):
        wanted = [run for run in index.runs if not files or set(run.files) & files]
        chosen += [(index, run) for run in wanted if _fits(index, run, result, marked)]
        troubles += index.troubles
    code = int(any(not trouble.endswith("no run in it") for trouble in troubles))
    if as_json:
        found = [
            run.as_json() | {"folder": str(index.folder), "said": index.mark(run).as_json()}
            for index, run in chosen
        ]
        json_output.tell({"runs": found}, exit_code=code, notes=troubles)
        return code
    _print(chosen, folders=len({index.folder for index, _ in chosen}) > 1)
    for trouble in troubles:
        click.echo(f"note: {trouble}", err=True)
    return code


def _rule(cut: str | None, site_file: Path | None) -> CutRule | None:
    from conformance.recordings.runs.rule import cut_rule, cut_rule_of

    if cut is not None:
        return cut_rule(cut, "--cut")
    if site_file is None:
        return None
    from protocol.site_file import load_site

    runs = load_site(site_file).runs
    return cut_rule_of(runs.cut, runs.jobs, f"{site_file}, [runs]") if runs is not None else None


def _indexes(paths: tuple[Path, ...], rule: CutRule | None) -> list[tuple[RunIndex, set[str]]]:
    """The index of each folder that is named, and of each with a file that is named, with those files."""
    from conformance.recordings.files import require_folder_of
    from conformance.recordings.runs.index import index_of

    files: dict[Path, set[str]] = {}
    for path in paths:
        if path.is_dir():
            files[path] = set()
        elif path.is_file():
            files.setdefault(path.parent, set()).add(path.name)
        else:
            require_folder_of(path)
            raise Trouble(
                "there is no such file or folder", where=str(path), fix="Name a folder of recordings"
            )
    found = []
    for folder, names in files.items():
        found.append((index_of(folder, rule, progress.Counting("files read")), names))
        progress.clear()
    return found


def _fits(index: RunIndex, run: Run, result: str | None, marked: str | None) -> bool:
    said = index.mark(run)
    if marked == "note" and not (said.note or said.bookmark):
        return False
    if marked in ("good", "bad") and said.mark != marked:
        return False
    return result is None or run.result == result


def _print(chosen: list[tuple[RunIndex, Run]], *, folders: bool) -> None:
    from conformance.recordings.runs.table import table

    rows = []
    for index, run in chosen:
        name = str(index.folder / str(run.name)) if folders else str(run.name)
        rows.append((name, run, index.mark(run)))
    for line in table(rows):
        click.echo(line)
