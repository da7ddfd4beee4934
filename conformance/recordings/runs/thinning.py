"""Which files of a folder may go when there is no more room: the oldest, but for those in which something matters."""

from __future__ import annotations

import time
from dataclasses import dataclass
from pathlib import Path

from conformance.recordings.runs.index import RunIndex
from conformance.recordings.runs.run import Result, Run

STILL_WRITTEN_S = 120.0
"""A file that was changed more recently than this may be a recorder's."""


@dataclass(frozen=True, slots=True)
class Thinning:
    """What goes, what stays though it is old, and how many bytes are left then."""

    goes: tuple[Path, ...]
    matters: dict[str, str]
    """File to why it stays."""
    left: int


def thinning(index: RunIndex, keep: int, now_s: float | None = None) -> Thinning:
    """Choose the files to take away, the oldest first, until the rest takes no more than `keep` bytes.

    A file stays in which a run failed or did not end, in which a fault came or a node was reset, or of which
    somebody has said anything; one that has no run is as good as any other.
    """
    now_s = time.time() if now_s is None else now_s
    matters: dict[str, str] = {}
    for run in index.runs:
        why = _why(index, run)
        for file in run.files if why else ():
            matters.setdefault(file, why)
    sizes = {path: path.stat() for path in sorted(index.files())}
    total = sum(stat.st_size for stat in sizes.values())
    goes = []
    for path, stat in sorted(sizes.items(), key=lambda one: (one[1].st_mtime_ns, one[0])):
        if total <= keep:
            break
        if now_s - stat.st_mtime < STILL_WRITTEN_S:
            matters.setdefault(path.name, "it may still be written to")
        if path.name in matters:
            continue
        goes.append(path)
        total -= stat.st_size
    return Thinning(tuple(goes), matters, total)


def _why(index: RunIndex, run: Run) -> str:
    """Why a run matters; '' where it does not."""
    said = index.mark(run)
    if said.as_json():
        return f"something is said of {run.name}"
    if run.result in (Result.FAILED, Result.UNFINISHED):
        return f"{run.name} {'failed' if run.result is Result.FAILED else 'did not end'}"
    if run.facts.faults or run.restarts:
        return f"{run.name} had a {'fault' if run.facts.faults else 'reset'}"
    return ""
