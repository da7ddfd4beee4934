"""Runs in MicroPython: `failing.py tick|link|still`: a main loop or a link that fails, or stands still for a second."""

import asyncio
import sys
import time

from unix.bench_board import BenchBoard
from yardwire_node.main_loop import run
from yardwire_node.node import Node
from yw_site import SITE

ROUNDS = 20
how = sys.argv[1]


class Watched(BenchBoard):
    def __init__(self) -> None:
        super().__init__("records")
        self.rounds = 0
        self.fed_ms = time.ticks_ms()

    def feed(self) -> None:
        now = time.ticks_ms()
        print("gap", time.ticks_diff(now, self.fed_ms)) if how == "still" else print("fed")
        self.fed_ms = now

    def off(self) -> None:
        print("off")


class Link:
    """Does nothing for a while, and then what it is told to."""

    def __init__(self, node: Node) -> None:
        self._node = node
        self._rounds = 0

    def tick(self) -> None:
        self._node.tick()
        self._rounds += 1
        if self._rounds == ROUNDS and how == "still":
            time.sleep(1)
        if self._rounds == ROUNDS and how == "tick":
            self.fail()
        if self._rounds > 2 * ROUNDS:
            raise SystemExit

    def fail(self) -> None:
        print("fails")
        raise RuntimeError("a fault of the firmware")

    async def run(self) -> None:
        while True:
            await asyncio.sleep_ms(10)
            if how == "link" and self._rounds > 3:
                self.fail()


print("running")
node = Node(SITE, Watched(), 1, bench=True)
run(node, Link(node))
