"""The runs of recordings, each with its figures."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from datetime import datetime
from pathlib import Path

from conformance.recordings.files import require_folder_of
from conformance.recordings.runs.index import RunIndex, index_of
from conformance.recordings.runs.marks import BAD, GOOD
from conformance.recordings.runs.name import run_named
from conformance.recordings.runs.rule import CutRule
from conformance.recordings.runs.run import Result, Run
from conformance.recordings.trend.run_figures import TrendRun, figures_of
from protocol.trouble import Trouble


def runs_of(
    paths: Iterable[Path], rule: CutRule | None = None, tick: Callable[[str], object] | None = None
) -> list[TrendRun]:
    """Every run of folders and recordings, in the order of their beginning; `tick` gets what is read.

    Left out are runs without a job, and those whose beginning is not there. Raises Trouble where none is left.
    """
    found = []
    chosen = list(chosen_runs(paths, rule, tick))
    several = len({index.folder for index, _ in chosen}) > 1
    for index, run in chosen:
        if tick is not None:
            tick(str(run.name))
        name = str(index.folder / str(run.name)) if several else str(run.name)
        figures = figures_of(index.source(run).items())
        mark = index.mark(run).mark
        began = datetime.fromisoformat(run.began)
        found.append(TrendRun(name, began, figures, good=mark == GOOD, bad=mark == BAD))
    found.sort(key=lambda run: (run.began, run.name))
    if not found:
        raise Trouble("there is no run with a job in it", fix="Name recordings, or a folder of them")
    return found


def chosen_runs(
    paths: Iterable[Path], rule: CutRule | None, tick: Callable[[str], object] | None
) -> Iterator[tuple[RunIndex, Run]]:
    """The whole runs with a job. Raises Trouble."""
    for index, run in all_runs(paths, rule, tick):
        if run.result is not Result.EMPTY and not run.fragment:
            yield index, run


def all_runs(
    paths: Iterable[Path], rule: CutRule | None, tick: Callable[[str], object] | None
) -> Iterator[tuple[RunIndex, Run]]:
    """The runs of folders, of files, and those that are named. Raises Trouble."""
    wanted: dict[Path, set[str] | None] = {}
    for path in paths:
        named = run_named(path)
        if path.is_dir():
            wanted[path] = None
        elif named is not None:
            _add(wanted, named[0], str(named[1]))
        elif path.is_file():
            _add(wanted, path.parent, path.name)
        else:
            require_folder_of(path)
            fix = "Name a folder of recordings, a recording, or a run such as monday.ywrec#7"
            raise Trouble("there is no such file or folder", where=str(path), fix=fix)
    for folder, names in wanted.items():
        index = index_of(folder, rule, tick)
        for run in index.runs:
            if names is None or names & {str(run.name), *run.files}:
                yield index, run


def _add(wanted: dict[Path, set[str] | None], folder: Path, name: str) -> None:
    names = wanted.setdefault(folder, set())
    if names is not None:
        names.add(name)
