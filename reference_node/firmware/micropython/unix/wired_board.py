"""A board in service whose pins are lines of text in two named pipes, to and from a machine simulated elsewhere.

In: `MS SENSOR LEVEL`, with the ms of the computer's monotonic clock at which the sensor changed. Out: `motor PERCENT`,
`axis NUMBER SETPOINT`, `axis-off NUMBER`, `spreader LEVEL`, `spreader-off`. The machine has said
how its sensors stand before the board opens the pipes.
"""

import select
import time

from unix.bench_board import BenchBoard


class WiredBoard(BenchBoard):
    """`pins` is the path of both pipes: with `.in` what comes to the board, with `.out` what it says."""

    def __init__(self, records: str, pins: str) -> None:
        super().__init__(records)
        self._in, self._out = open(pins + ".in"), open(pins + ".out", "w")
        self._poll = select.poll()
        self._poll.register(self._in, select.POLLIN)
        self._levels: dict = {}
        self._motor: int | None = None
        self._at: dict = {}

    def _say(self, *words) -> None:
        self._out.write(" ".join(str(word) for word in words) + "\n")

    def edges(self) -> list:
        found = []
        while self._poll.poll(0):
            words = self._in.readline().split()
            ago_ms = time.ticks_diff(time.ticks_ms(), int(words[0]))
            self._levels[words[1]] = words[2] == "1"
            found.append((self.clock_ms() - ago_ms, words[1], words[2] == "1"))
        return found

    def inputs(self) -> dict:
        self.edges()
        return self._levels

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
