"""Counts the states of a Promela model with SPIN (G. J. Holzmann), all interleavings of it."""

from __future__ import annotations

import re
import subprocess
from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True, slots=True)
class Counted:
    """What SPIN says of a model."""

    states: int
    transitions: int
    errors: int
    depth: int


def count(model: Path, folder: Path, *, breadth_first: bool = False) -> Counted:
    """Translate, compile and run the verifier in `folder`: no partial order reduction, no hash compaction."""
    text = _run(["spin", "-o1", "-o2", "-o3", "-a", str(model)], folder)
    assert not text.strip(), text
    options = ["-DNOREDUCE", "-DNOCLAIM", *(["-DBFS"] if breadth_first else ["-DSAFETY"])]
    _run(["gcc", "-O1", "-w", *options, "-o", "pan", "pan.c"], folder)
    said = _run(["./pan", "-m100000"], folder)
    return Counted(
        _figure(r"(\d+) states, stored", said),
        _figure(r"(\d+) transitions", said),
        _figure(r"errors: (\d+)", said),
        _figure(r"depth reached (\d+)", said),
    )


def _figure(pattern: str, said: str) -> int:
    found = re.search(pattern, said)
    assert found is not None, said
    return int(found[1])


def _run(command: list[str], folder: Path) -> str:
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout
