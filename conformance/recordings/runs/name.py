"""The name of a run: the file in which it begins, and which of those that begin there it is.

It lasts because it rests on nothing else: not on other files (parts may be added, thinned and packed) and not on
the order in which they are read. `#0` is what a file begins with that belongs to a run whose beginning is not there.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

PACKED = ".zst"
_RUN = re.compile(r"(.+)#([0-9]{1,6})")


@dataclass(frozen=True, slots=True, order=True)
class RunName:
    """`monday.ywrec#7`: the seventh run that begins in monday.ywrec, packed (monday.ywrec.zst) or not."""

    file: str
    number: int

    def __str__(self) -> str:
        return f"{self.file}#{self.number}"


def plain_name(name: str) -> str:
    """The name of a file without what says that it is packed."""
    return name.removesuffix(PACKED)


def run_named(path: Path) -> tuple[Path, RunName] | None:
    """Folder and run that a path names; None where it names a file, or nothing of this form."""
    found = _RUN.fullmatch(path.name)
    if found is None or path.exists():
        return None
    return path.parent, RunName(plain_name(found[1]), int(found[2]))
