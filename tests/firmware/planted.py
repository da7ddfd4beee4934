"""A bug planted in a copy of a firmware: a few words changed in one file."""

from __future__ import annotations

import shutil
from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True, slots=True)
class PlantedBug:
    """`old` stands once in `file` and becomes `new`. `case` is one of the suite that has to speak against it."""

    says: str
    file: str
    old: str
    new: str
    case: str = ""

    def in_a_copy(self, source: Path, copy: Path, inside: str) -> Path:
        """The firmware `source` copied to `copy`, with the bug in it; `inside` is the folder of `file` there."""
        shutil.copytree(source, copy, ignore=shutil.ignore_patterns("__pycache__"))
        file = copy / inside / self.file
        text = file.read_text(encoding="utf-8")
        assert text.count(self.old) == 1, (self.file, self.old)
        file.write_text(text.replace(self.old, self.new), encoding="utf-8")
        return copy
