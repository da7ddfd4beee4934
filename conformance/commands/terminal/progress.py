"""How far something is: one line on a terminal that is written over, a line a minute on anything else."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable

from conformance.commands.terminal.quiet import is_quiet
from conformance.commands.terminal.streams import command
from conformance.commands.terminal.width import width
from protocol.foreign_text import one_line

SELDOM_S = 60.0
"""Between two lines where they are not written over, as in the log of a CI."""
SHOWN_AGAIN_S = 0.1
LEAST_S, LEAST = 60.0, "less than 1 min"
"""What is left is not told more exactly than it is known, and never as nothing while something is left."""
_OVER = "\r\x1b[K"


def show(text: str) -> None:
    """Write over the line before."""
    if sys.stderr.isatty() and not (text and is_quiet()):
        command(_OVER)
        sys.stderr.write(one_line(text[: width() - 1]))
        sys.stderr.flush()


def clear() -> None:
    """Take the line away, so that something else can be said there."""
    show("")


class Progress:
    """'n of N' and the time that is left, of one piece of work."""

    def __init__(
        self,
        what: str,
        total: int | None = None,
        *,
        apart_s: float = SHOWN_AGAIN_S,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        """`what` names the work ('cases'); `total` is None where nobody knows.

        `apart_s` is between two lines on a terminal: 0 where each step may be long, and so must not go untold.
        """
        self.what, self.total = what, total
        self._apart_s, self._clock = apart_s, clock
        self._began = self._told = clock()
        self._shown = float("-inf")

    def at(
        self,
        number: int,
        text: str = "",
        left_s: float | None = None,
        *,
        besides: str = "",
        now: bool = False,
    ) -> None:
        """`number` of `total` are done; `text` says what is next. `left_s` where the caller knows how long it takes.

        `besides` is what has been found so far; `now` tells it without a wait, where nobody may come late to it.
        """
        time_ = self._clock()
        if sys.stderr.isatty():
            if now or time_ - self._shown >= self._apart_s:
                self._shown = time_
                show(self.line(number, text, left_s, besides))
        elif (now or time_ - self._told >= SELDOM_S) and not is_quiet():
            self._told = time_
            sys.stderr.write(one_line(self.line(number, text, left_s, besides)) + "\n")
            sys.stderr.flush()

    def line(self, number: int, text: str = "", left_s: float | None = None, besides: str = "") -> str:
        """How far it is, in words; what was found stands before what is next, which a narrow terminal cuts off."""
        total = "" if self.total is None else f" of {self.total:,}"
        left = self._left_s(number) if left_s is None else left_s
        parts = [f"{number:,}{total} {self.what}"]
        if left is not None and number != self.total:
            parts.append(f"{duration(left) if left >= LEAST_S else LEAST} left")
        if besides:
            return ", ".join([*parts, besides]) + (f"; {text}" if text else "")
        return ", ".join(parts) + (f": {text}" if text else "")

    def _left_s(self, number: int) -> float | None:
        """By the pace so far; None while nothing is known of it."""
        if self.total is None or number <= 0 or number > self.total:
            return None
        return (self._clock() - self._began) / number * (self.total - number)


class Counting:
    """Called with the name of each thing as it is begun: says how many were, and of how many."""

    def __init__(self, what: str, total: int | None = None) -> None:
        self._progress = Progress(what, total)
        self._done = -1

    def __call__(self, name: str) -> None:
        """The next one begins."""
        self._done += 1
        self._progress.at(self._done, name)


def duration(seconds: float) -> str:
    """A time as a person says it: '40 s', '3 min', '2 h 5 min'."""
    whole = round(seconds)
    if whole < 100:
        return f"{whole} s"
    minutes = round(seconds / 60)
    return f"{minutes} min" if minutes < 100 else f"{minutes // 60} h {minutes % 60} min"
