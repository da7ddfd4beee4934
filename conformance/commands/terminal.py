"""Standard output and error of the kit: whatever it was given to say, a terminal is never commanded by it."""

from __future__ import annotations

import io
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, TextIO, cast

from protocol.foreign_text import harmless


class _Harmless:
    """A text stream whose control characters are spelt out; all else is the stream's own."""

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream

    def write(self, text: str) -> int:
        """Write it so that a terminal only shows it."""
        return self._stream.write(harmless(text))

    def command(self, text: str) -> None:
        """Write what is meant to command the terminal, and only that."""
        self._stream.write(text)

    def __getattr__(self, name: str) -> Any:
        if name == "buffer":
            # Whoever finds the bytes below writes past this (click does, where the encoding is ASCII).
            raise AttributeError(name)
        return getattr(self._stream, name)


@contextmanager
def harmless_streams() -> Iterator[None]:
    """Everything said inside goes through `_Harmless`; a terminal without some character shows '?'."""
    before = sys.stdout, sys.stderr
    for stream in before:
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")
    sys.stdout, sys.stderr = (cast("TextIO", _Harmless(stream)) for stream in before)
    try:
        yield
    finally:
        sys.stdout, sys.stderr = before


def command(text: str) -> None:
    """Command the terminal on standard error, such as to clear a line."""
    stream: Any = sys.stderr
    getattr(stream, "command", stream.write)(text)
