"""A program under test that the kit starts itself, again and again, each time with another brief."""

from __future__ import annotations

import shlex
import tempfile
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Self

from conformance.bench.processes.child import Child
from conformance.suite.verdict import Unclear
from protocol.foreign_text import one_line
from protocol.trouble import Trouble

BROKER, BRIEF = "{broker}", "{brief}"
LAST_BYTES = 300
"""How much of what a program said last is shown."""


def words_of(line: str) -> tuple[str, ...]:
    """The words of a command line, split as a shell does. Raises Trouble where it is none or lacks a place."""
    try:
        words = tuple(shlex.split(line))
    except ValueError as error:
        raise Trouble(f"the program cannot be read: {error}", where=line) from error
    for place in (BROKER, BRIEF):
        if not any(place in word for word in words):
            fix = f"Put {BROKER} where it takes the broker's URL and {BRIEF} where it takes the brief's file"
            raise Trouble(f"the program is not told its {place}", where=line, fix=fix)
    return words


class Program:
    """Starts the program again with each brief. Leaving it ends the program and all that it has started."""

    def __init__(
        self, words: Sequence[str], broker: str, environment: Mapping[str, str] | None = None
    ) -> None:
        """`broker` is put where the words ask for it; `environment` is the program's (None: this one's)."""
        self._environment = environment
        self._words, self._broker = words, broker
        self._folder = tempfile.TemporaryDirectory(prefix="yardwire-")
        self._said = Path(self._folder.name) / "standard-error"
        self._running: Child | None = None

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._end()
        self._folder.cleanup()

    def start(self, brief: str) -> None:
        """End it as a power failure does, and start it with a brief. Raises Unclear where it cannot be run."""
        self._end()
        path = Path(self._folder.name) / "brief.json"
        path.write_text(brief, encoding="utf-8")
        words = [word.replace(BROKER, self._broker).replace(BRIEF, str(path)) for word in self._words]
        try:
            with self._said.open("wb") as said:
                self._running = Child(
                    words, stderr=said, folder=Path(self._folder.name), environment=self._environment
                )
        except OSError as error:
            raise Unclear(f"the program {words[0]!r} cannot be run: {error.strerror}") from error

    def failure(self) -> str:
        """How it has failed, with the last line of its standard error; '' while it runs.

        One that has ended with 0 has not: it may have started what goes on without it.
        """
        code = self._running.poll() if self._running else None
        if not code:
            return ""
        with self._said.open("rb") as said:
            said.seek(max(0, self._said.stat().st_size - LAST_BYTES))
            lines = said.read().decode("utf-8", "replace").split("\n")
        last = next((line.strip() for line in reversed(lines) if line.strip()), "")
        shown = one_line(last)
        return f"the program has ended with {code}" + (f": {shown}" if shown else "")

    def _end(self) -> None:
        running, self._running = self._running, None
        if running is not None:
            running.end()
