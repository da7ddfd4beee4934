"""One line on the terminal that is written over while something goes on; on anything else nothing."""

from __future__ import annotations

import sys

WIDTH = 79
_OVER = "\r\x1b[K"


def show(text: str) -> None:
    """Write over the line before."""
    if sys.stderr.isatty():
        sys.stderr.write(f"{_OVER}{text[:WIDTH]}")
        sys.stderr.flush()


def clear() -> None:
    """Take the line away, so that something else can be said there."""
    show("")
