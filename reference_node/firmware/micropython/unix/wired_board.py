"""A board in service whose pins are lines of text, to and from a machine that somebody else simulates.

In: `MS SENSOR LEVEL`, with ms of the computer's monotonic clock, from before this board started where that is when the
sensor changed. Out: `motor PERCENT`, `axis NUMBER SETPOINT`, `axis-off NUMBER`, `spreader LEVEL`, `spreader-off`.
"""

import select
import sys
import time

from unix.bench_board import BenchBoard


class WiredBoard(BenchBoard):
    """Reads its sensors from standard input, and writes what its motors do to standard output."""

    def __init__(self, records: str) -> None:
        super().__init__(records)
        self._poll = select.poll()
        self._poll.register(sys.stdin, select.POLLIN)
        self._levels: dict = {}
        self._motor: int | None = None
        self._at: dict = {}

    def _say(self, *words) -> None:
        sys.stdout.write(" ".join(str(word) for word in words) + "\n")

    def _lines(self) -> list:
        found = []
        while self._poll.poll(0):
            words = sys.stdin.readline().split()
            if len(words) != 3:
                raise SystemExit  # The machine is gone: main_loop switches everything off.
            ago_ms = time.ticks_diff(time.ticks_ms(), int(words[0]))
            self._levels[words[1]] = words[2] == "1"
            found.append((self.clock_ms() - ago_ms, words[1], words[2] == "1"))
        return found

    def inputs(self) -> dict:
        self._lines()
        return self._levels

    def edges(self) -> list:
        return self._lines()

    def motor(self, percent: int) -> None:
        if percent != self._motor:
            self._motor = percent
            self._say("motor", percent)

    def axis(self, axis: int, setpoint: int) -> int:
        if self._at.get(axis) != setpoint:
            self._at[axis] = setpoint
            self._say("axis", axis, setpoint)
        return setpoint

    def axis_off(self, axis: int) -> None:
        self._say("axis-off", axis)

    def spreader(self, closed: bool) -> None:
        self._say("spreader", int(closed))

    def spreader_off(self) -> None:
        self._say("spreader-off")

    def off(self) -> None:
        self._motor = None
        self.motor(0)
