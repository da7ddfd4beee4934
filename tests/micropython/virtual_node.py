"""Runs in MicroPython: a node on the bench on somebody else's clock, told over its standard input what happens.

    virtual_node.py SITE_MODULE BOOT NOW_MS [line]

Each line of input is a time in ms and what happens then; each answer is what the node said, a line each, and a line with
how many ms may pass before the next round. On a line both directions are bytes of the line.
"""

import sys

from yardwire_node.board import Board
from yardwire_node.line import Line
from yardwire_node.node import Node

HERE = 1
QUIET_MS, BUSY_MS = 20, 2


class BenchBoard(Board):
    """On the bench a machine follows every setpoint at once, and its sensors are the tester's."""

    now_ms = 0

    def clock_ms(self) -> int:
        return self.now_ms

    def axis(self, axis: int, setpoint: int) -> int:
        return setpoint

    def axis_off(self, axis: int) -> None:
        pass

    def spreader(self, closed: bool) -> None:
        pass

    def spreader_off(self) -> None:
        pass

    def motor(self, percent: int) -> None:
        pass

    def off(self) -> None:
        pass


def main(module: str, boot: int, now_ms: int, on_a_line: bool) -> None:
    site = __import__(module).SITE
    board = BenchBoard()
    board.now_ms = now_ms
    said: list = []

    def send(message: str, payload: bytes) -> bool:
        said.append(message + " " + payload.hex())
        return True

    def put(frame: bytes) -> bool:
        said.append(frame.hex())
        return True

    node = Node(site, board, boot, bench=True, reset="power-on")
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


main(sys.argv[1], int(sys.argv[2]), int(sys.argv[3]), len(sys.argv) > 4)
