"""The index of a folder as a file beside the recordings: what in it does not fit any more is found again."""

from __future__ import annotations

import json
from contextlib import suppress
from dataclasses import asdict, astuple, dataclass, field
from pathlib import Path
from typing import Any

from conformance.files.whole_file import write
from conformance.recordings.runs.cutting import Resume
from conformance.recordings.runs.folder import Part
from conformance.recordings.runs.run import Run
from protocol.trouble import Trouble

INDEX = ".runs-index.json"
FORMAT = 3
"""Raised whenever a run of the same recording would be told otherwise."""
MOST_BYTES = 256 << 20


@dataclass(slots=True)
class Kept:
    """What is known of one recording: its parts as they were, how to go on at its last run, and the runs."""

    parts: list[Part]
    resume: Resume | None
    runs: list[Run]
    troubles: list[str]


@dataclass(slots=True)
class Cache:
    """What is known of a folder; all that is kept was cut by `rule`."""

    rule: str
    parts: dict[str, Part] = field(default_factory=dict)
    recordings: dict[str, Kept] = field(default_factory=dict)
    """By the name of the first part."""


def load(folder: Path, rule: str) -> Cache:
    """What an earlier look left beside the recordings; empty where there is none, or nothing that fits."""
    empty = Cache(rule)
    path = folder / INDEX
    try:
        if path.stat().st_size > MOST_BYTES:
            return empty
        data = json.loads(path.read_bytes())
        if data["format"] != FORMAT:
            return empty
        parts = {row[0]: _part(row) for row in data["parts"]}
        cache = Cache(rule, parts)
        if data["rule"] == rule:
            cache.recordings = {row["parts"][0][0]: _kept(row) for row in data["recordings"]}
    except (OSError, ValueError, KeyError, TypeError, IndexError, AttributeError, RecursionError):
        return empty
    return cache


def _part(row: Any) -> Part:
    file, size, changed, site, started, before = row
    if not all(isinstance(text, str) for text in (file, site, started)) or not isinstance(before, str | None):
        raise TypeError(row)
    return Part(file, int(size), int(changed), site, started, before)


def _kept(row: Any) -> Kept:
    runs = [Run.from_kept(run) for run in row["runs"]]
    resume = Resume(**row["resume"]) if row["resume"] is not None else None
    return Kept([_part(part) for part in row["parts"]], resume, runs, [str(one) for one in row["troubles"]])


def save(folder: Path, cache: Cache) -> None:
    """Keep it beside the recordings; where the folder cannot be written to it is found again next time."""
    data = {
        "format": FORMAT,
        "rule": cache.rule,
        "parts": [astuple(part) for part in cache.parts.values()],
        "recordings": [
            {
                "parts": [astuple(part) for part in kept.parts],
                "resume": asdict(kept.resume) if kept.resume is not None else None,
                "runs": [run.kept() for run in kept.runs],
                "troubles": kept.troubles,
            }
            for kept in cache.recordings.values()
        ],
    }
    with suppress(Trouble):
        write(folder / INDEX, json.dumps(data, separators=(",", ":")))
