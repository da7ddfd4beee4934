"""Keys of a terminal as words: arrows jog, one key holds."""

from __future__ import annotations

import os
import select
import sys
from collections.abc import Iterator
from contextlib import contextmanager

from protocol.site import CraneSite

HELP = """\
left right     the first axis by one step      up down        the second one, where there are three
page up/down   the hoist up and down           1 2 5 0        the step: 1, 2, 5 or 10 units
SPACE          HOLD                            g              go on after a hold, hands clear
ENTER          that is it                      o              over, by the present table
n              next train                      r              raise the hoist
y              yes, to what is asked           a              admit a train
:              type a line, such as ':it 0.4'  q              quit"""
STEPS = {"1": 1, "2": 2, "5": 5, "0": 10}
WORDS = {"\r": "it", "\n": "it", " ": "hold", "n": "next", "o": "over", "r": "raise", "y": "yes", "a": "admit",
         "g": "resume", "q": "quit"}  # fmt: skip
ESCAPES = {"[C": (0, 1), "[D": (0, -1), "[A": (1, 1), "[B": (1, -1), "[5~": (-1, -1), "[6~": (-1, 1)}
"""Arrow and paging keys (ECMA-48 control sequences): the axis, and which way; the hoist is the last axis."""
LONGEST = 6


class Keys:
    """Takes what a terminal gives, byte by byte as it comes, and gives words."""

    def __init__(self, crane: CraneSite) -> None:
        self._crane = crane
        self.step = 1
        self._escape: str | None = None
        self._typed: str | None = None

    def words(self, text: str) -> Iterator[str]:
        """What `text` says; a sequence that is not whole yet is kept for the next call."""
        for key in text:
            word = self._key(key)
            if word is not None:
                yield word

    def _key(self, key: str) -> str | None:
        if self._typed is not None:
            return self._type(key)
        if self._escape is not None:
            return self._sequence(key)
        if key == "\x1b":
            self._escape = ""
        elif key == ":":
            self._typed = ""
        elif key == "?":
            return "help"
        elif key in STEPS:
            self.step = STEPS[key]
        return WORDS.get(key)

    def _type(self, key: str) -> str | None:
        typed = self._typed or ""
        if key in "\r\n":
            self._typed = None
            return typed
        if key == "\x1b":
            self._typed = None
        else:
            self._typed = typed[:-1] if key in "\x7f\b" else typed + key
        return None

    def _sequence(self, key: str) -> str | None:
        if key == " ":  # Whatever else was begun: this key holds.
            self._escape = None
            return WORDS[key]
        # In application mode some terminals send O for [.
        sequence = (self._escape or "") + ("[" if key == "O" and not self._escape else key)
        self._escape = sequence
        if sequence in ESCAPES:
            self._escape = None
            return self._jog(*ESCAPES[sequence])
        if len(sequence) >= LONGEST or not any(known.startswith(sequence) for known in ESCAPES):
            self._escape = None
        return None

    def _jog(self, axis: int, way: int) -> str | None:
        axes = self._crane.axes
        if axis == 1 and len(axes) < 3:
            return None
        if axis == -1:
            # Down is away from the height that clears everything.
            last = axes[-1]
            way = way if self._crane.travel - last.least <= last.most - self._crane.travel else -way
        return f"{axes[axis].name} {way * self.step}"


@contextmanager
def keys_of(crane: CraneSite) -> Iterator[TerminalKeys]:
    """The keys of the terminal at standard input, which is given back as it was."""
    import termios
    import tty

    number = sys.stdin.fileno()
    before = termios.tcgetattr(number)
    tty.setcbreak(number)
    try:
        yield TerminalKeys(number, crane)
    finally:
        termios.tcsetattr(number, termios.TCSADRAIN, before)


class TerminalKeys:
    """Reads what has been pressed, without waiting for more."""

    def __init__(self, number: int, crane: CraneSite) -> None:
        self._number, self._keys = number, Keys(crane)
        self.gone = False
        """Whether the terminal is closed."""

    def pressed(self, within_s: float) -> list[str]:
        """Words of the keys that were pressed; waits for the first for so long."""
        if self.gone or not select.select([self._number], [], [], within_s)[0]:
            return []
        read = os.read(self._number, 256)
        self.gone = not read
        return list(self._keys.words(read.decode("utf-8", errors="replace")))
