"""The pins of a board that is a process: lines of text in two named pipes, as its `wired_board.py` has them."""

from __future__ import annotations

import os
from contextlib import suppress
from pathlib import Path

READ_MOST = 4096


class Pins:
    """`path` is what the board is told; opened at both ends here, so that nobody waits for the other."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / "pins"
        self._ends = []
        for end in (".in", ".out"):
            pipe = self.path.with_suffix(end)
            os.mkfifo(pipe)
            self._ends.append(os.open(pipe, os.O_RDWR | os.O_NONBLOCK))
        self._rest = b""

    def sense(self, at_ms: int, sensor: str, closed: bool) -> None:
        """A sensor changed at `at_ms` of the monotonic clock."""
        os.write(self._ends[0], f"{at_ms} {sensor} {int(closed)}\n".encode("ascii"))

    def commands(self) -> list[list[str]]:
        """What the board has done to its outputs since the last call, each in words."""
        with suppress(BlockingIOError):
            self._rest += os.read(self._ends[1], READ_MOST)
        *lines, self._rest = self._rest.split(b"\n")
        return [line.decode("ascii").split() for line in lines]

    def close(self) -> None:
        """Pull the plug."""
        for end in self._ends:
            os.close(end)
