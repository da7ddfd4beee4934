"""Standard output and error of the kit: whatever it was given to say, a terminal is never commanded by it."""

from __future__ import annotations

import io
import os
import re
import secrets
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, TextIO, cast

from protocol.foreign_text import harmless

_MARK = f"<{secrets.token_hex(8)}:"
"""Stands before a colour of the kit's own, until it is written. Nobody who sends a message knows it."""
_COLOUR = re.compile(re.escape(_MARK) + "([0-9;]*)>")
_RED, _PLAIN = "31;1", "0"


def red(text: str) -> str:
    """The text in bold red, where it is written to a terminal that may show colours (no NO_COLOR); else as it is."""
    return f"{_MARK}{_RED}>{text}{_MARK}{_PLAIN}>"


class _EscapingStream:
    """A text stream whose control characters are spelt out; all else is the stream's own."""

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream

    def write(self, text: str) -> int:
        """Write it so that a terminal only shows it."""
        return self._stream.write(_COLOUR.sub(self._colour, harmless(text)))

    def _colour(self, found: re.Match[str]) -> str:
        shown = self._stream.isatty() and not os.environ.get("NO_COLOR")
        return f"\x1b[{found[1]}m" if shown else ""

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
    """Everything said inside goes through `_EscapingStream`; a terminal without some character shows '?'."""
    before = sys.stdout, sys.stderr
    for stream in before:
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")
    sys.stdout, sys.stderr = (cast("TextIO", _EscapingStream(stream)) for stream in before)
    try:
        yield
    finally:
        sys.stdout, sys.stderr = before


def command(text: str) -> None:
    """Command the terminal on standard error, such as to clear a line."""
    stream: Any = sys.stderr
    getattr(stream, "command", stream.write)(text)
