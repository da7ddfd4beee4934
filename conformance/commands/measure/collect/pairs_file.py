"""The file of pairs, to which each is added as soon as it is known: whatever ends the work, it is kept."""

from __future__ import annotations

import os
from pathlib import Path

from conformance.commands.measure.options import read_file
from conformance.files.whole_file import require_folder
from conformance.measure.pairs import Pair, pairs_text, read_pairs
from protocol.trouble import Trouble


class PairsFile:
    """A file that is gone on with, or made."""

    def __init__(self, path: Path) -> None:
        """Raises Trouble for a file that is none of pairs, or that could not be written."""
        require_folder(path)
        self._path = path
        self.before: tuple[Pair, ...] = ()
        if path.exists() and path.stat().st_size:
            self.before = self._read()
        else:
            self._add(pairs_text(()))

    def add(self, pair: Pair) -> None:
        """Add one line, and see to it that it is on the disk. Raises Trouble."""
        self._add(pairs_text((pair,)).splitlines()[-1] + "\n")

    def _read(self) -> tuple[Pair, ...]:
        text = read_file(self._path).decode("utf-8", errors="replace")
        header = next(line for line in text.splitlines() if line and not line.startswith("#"))
        if header.strip() != pairs_text(()).strip():
            what = "its columns are not those that are written here"
            raise Trouble(
                what, where=str(self._path), fix=f"Name another file; they are: {pairs_text(()).strip()}"
            )
        if not text.endswith("\n"):
            self._add("\n")  # The line under way when it was cut off.
        found = [line for line in text.splitlines() if line and not line.startswith("#")]
        return read_pairs(text, str(self._path)) if len(found) > 1 else ()

    def _add(self, text: str) -> None:
        try:
            with self._path.open("a", encoding="utf-8", newline="\n") as file:
                file.write(text)
                file.flush()
                os.fsync(file.fileno())
        except OSError as error:
            raise Trouble(f"cannot be written: {error.strerror}", where=str(self._path)) from error
