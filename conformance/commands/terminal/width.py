"""How wide a line may be: as COLUMNS says, as the terminal is, or 80 columns where the output is no terminal."""

from __future__ import annotations

import os
import sys
import textwrap
from typing import Any

USUAL = 80
LEAST = 20
WIDEST = 100
"""Longer lines of prose are hard to read."""


def width(stream: Any = None) -> int:
    """Columns of the terminal behind `stream` (default: standard error), within bounds."""
    stream = sys.stderr if stream is None else stream
    return max(LEAST, min(_columns(stream), WIDEST))


def _said() -> int:
    """What COLUMNS says; 0 where it says nothing."""
    said = os.environ.get("COLUMNS", "")
    return int(said) if said.isdecimal() else 0


def _columns(stream: Any) -> int:
    try:
        if said := _said():
            return said
        return os.get_terminal_size(stream.fileno()).columns or USUAL if stream.isatty() else USUAL
    except (OSError, ValueError, AttributeError):
        return USUAL


def wrapped(text: str, columns: int, *, hanging: str = "  ") -> str:
    """Each line of a text within so many columns; ids, names of files and addresses are kept whole.

    What is longer than a line alone stands on a line of its own.
    """
    lines: list[str] = []
    for line in text.split("\n"):
        indent = line[: len(line) - len(line.lstrip())]
        lines += textwrap.wrap(
            line, columns, subsequent_indent=indent + hanging, break_on_hyphens=False, break_long_words=False
        ) or [""]
    return "\n".join(lines)
