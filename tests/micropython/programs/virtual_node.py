"""Runs in MicroPython: a node on the bench on somebody else's clock, told over its standard input what happens.

    virtual_node.py BOOT NOW_MS [line]

Each line of input is a time in ms and what happens then; each answer is what the node said, a line each, and a line
with how many ms may pass before the next round. On a serial line both directions are its bytes.
"""

import sys

from unix.bench_board import BenchBoard
from yardwire_node.line import Line
from yardwire_node.node import Node
from yw_site import SITE

QUIET_MS, BUSY_MS = 20, 2


class VirtualBoard(BenchBoard):
    """Its clock is somebody else's."""

    now_ms = 0

    def __init__(self) -> None:
        super().__init__("")
        self.clock_ms = self.now

    def now(self) -> int:
        return self.now_ms

    def memory(self) -> int | None:
        return None


def main(boot: int, now_ms: int, on_a_line: bool) -> None:
    board = VirtualBoard()
    board.now_ms = now_ms
    said: list = []

    def send(message: str, payload: bytes) -> bool:
        said.append(message + " " + payload.hex())
        return True

    def put(frame: bytes) -> bool:
        said.append(frame.hex())
        return True

    node = Node(SITE, board, boot, bench=True, reset="power-on")
    node.speaker.send = send
    line = Line(node, put) if on_a_line else None
    while True:
        words = sys.stdin.readline().split()
        if not words:
            return
        board.now_ms = int(words[0])
        what = words[1]
        if what == "tick":
            (line or node).tick()
        elif what == "connected":
            node.connected()
        elif what == "disconnected":
            node.disconnected()
        elif what == "will":
            send("node-status", node.will())
        elif what == "take" and line is not None:
            line.take(bytes.fromhex(words[2]))
        else:
            node.receive(bytes.fromhex(words[2]) if len(words) > 2 else b"", what == "all")
        said.append(str(QUIET_MS if node.is_quiet() else BUSY_MS))
        print("\n".join(said))
        said.clear()


main(int(sys.argv[1]), int(sys.argv[2]), len(sys.argv) > 3)
