"""Standard output and error of the kit: whatever it was given to say, a terminal is never commanded by it.

Colours and links of the kit's own are marked until they are written. This is the one place that makes escape sequences.
"""

from __future__ import annotations

import io
import os
import re
import select
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, TextIO, cast

from protocol.foreign_text import harmless

_MARK = f"<{os.urandom(8).hex()}:"
"""Stands before a colour or a link of the kit's own, until it is written. Nobody who sends a message knows it."""
_STYLE = re.compile(re.escape(_MARK) + "(?:([0-9;]*)|@([^<>]*))>")
COLOURS = {"red": "31;1", "green": "32", "yellow": "33"}
"""Select Graphic Rendition, ECMA-48 8.3.117."""
_PLAIN = "0"
PLAIN_TERMINALS = ("dumb", "")
NO_LINKS = ("linux",)
"""The console of the kernel shows what it does not know."""


def coloured(text: str, colour: str) -> str:
    """The text in a colour, where it is written to a terminal that may show colours; else as it is."""
    return f"{_MARK}{COLOURS[colour]}>{text}{_MARK}{_PLAIN}>"


def red(text: str) -> str:
    """The text in bold red, where it is written to a terminal that may show colours (no NO_COLOR); else as it is."""
    return coloured(text, "red")


def linked(text: str, address: str) -> str:
    """The text as a link (OSC 8), where it is written to a terminal that may know them; else as it is.

    `address` is a URI of the kit's own, in ASCII and percent-encoded.
    """
    return f"{_MARK}@{address}>{text}{_MARK}@>"


def shows_colour(stream: Any) -> bool:
    """Whether colours go to this stream: a terminal that can, and no NO_COLOR."""
    return not os.environ.get("NO_COLOR") and _commands(stream)


def shows_links(stream: Any) -> bool:
    """Whether links go to this stream."""
    return _commands(stream) and os.environ.get("TERM") not in NO_LINKS


def _commands(stream: Any) -> bool:
    return bool(stream.isatty()) and os.environ.get("TERM", "unknown") not in PLAIN_TERMINALS


class _EscapingStream:
    """A text stream whose control characters are spelt out; all else is the stream's own.

    `outlives_reader`: once nobody reads the pipe any more, what is written goes nowhere, and that is no error.
    """

    def __init__(self, stream: TextIO, *, outlives_reader: bool = False) -> None:
        self._stream, self._outlives_reader = stream, outlives_reader

    def write(self, text: str) -> int:
        """Write it so that a terminal only shows it."""
        try:
            return self._stream.write(_STYLE.sub(self._style, harmless(text)))
        except BrokenPipeError as broken:
            self._to_nowhere(broken)
            return len(text)

    def flush(self) -> None:
        """Hand on what is still kept."""
        try:
            self._stream.flush()
        except BrokenPipeError as broken:
            self._to_nowhere(broken)

    def _to_nowhere(self, broken: BrokenPipeError) -> None:
        """Raises `broken`, unless this command goes on without a reader."""
        if not (self._outlives_reader and reader_left(self._stream.fileno())):
            raise broken
        discard(self._stream.fileno())

    def _style(self, found: re.Match[str]) -> str:
        colour, address = found[1], found[2]
        if address is not None:
            # OSC 8 ends with ST (ECMA-48 8.3.143); a link ends where one to nowhere begins.
            return f"\x1b]8;;{address}\x1b\\" if shows_links(self._stream) else ""
        return f"\x1b[{colour}m" if shows_colour(self._stream) else ""

    def command(self, text: str) -> None:
        """Write what is meant to command the terminal, and only that."""
        self._stream.write(text)

    def __getattr__(self, name: str) -> Any:
        if name == "buffer":
            # Whoever finds the bytes below writes past this (click does, where the encoding is ASCII).
            raise AttributeError(name)
        return getattr(self._stream, name)


def reader_left(descriptor: int) -> bool:
    """True when this is a pipe that nobody reads any more (`yardwire validate ... | head`)."""
    watch = select.poll()
    watch.register(descriptor, 0)
    return any(event & (select.POLLERR | select.POLLHUP) for _, event in watch.poll(0))


def discard(descriptor: int) -> None:
    """Put an output out of use, else Python tries once more while it shuts down, and complains."""
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, descriptor)
    os.close(nowhere)


@contextmanager
def harmless_streams(*, outlive_reader: bool = False) -> Iterator[None]:
    """Everything said inside goes through `_EscapingStream`; a terminal without some character shows '?'.

    `outlive_reader`: that nobody reads standard output to its end is no error, and the command goes on.
    """
    before = sys.stdout, sys.stderr
    for stream in before:
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")
    sys.stdout = cast("TextIO", _EscapingStream(before[0], outlives_reader=outlive_reader))
    sys.stderr = cast("TextIO", _EscapingStream(before[1]))
    try:
        yield
    finally:
        sys.stdout, sys.stderr = before


def command(text: str) -> None:
    """Command the terminal on standard error, such as to clear a line."""
    stream: Any = sys.stderr
    getattr(stream, "command", stream.write)(text)
