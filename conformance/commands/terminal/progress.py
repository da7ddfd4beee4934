"""One line on the terminal that is written over while something goes on; on anything else nothing."""

from __future__ import annotations

import sys

from conformance.commands.terminal.streams import command
from protocol.foreign_text import one_line

WIDTH = 79
_OVER = "\r\x1b[K"


def show(text: str) -> None:
    """Write over the line before."""
    if sys.stderr.isatty():
        command(_OVER)
        sys.stderr.write(one_line(text[:WIDTH]))
        sys.stderr.flush()


def clear() -> None:
    """Take the line away, so that something else can be said there."""
    show("")
