"""Runs in MicroPython: a train passes while the main loop is elsewhere, and its edges are noted by interrupts.

Answers how long it was from arming to end in train-arrival, in ms.
"""

from unix.bench_board import BenchBoard
from yardwire_node.node import Node
from yw_site import SITE


class Late(BenchBoard):
    """Its rounds are 40 ms apart; its edges have their own times."""

    def __init__(self) -> None:
        super().__init__("records")
        self.now_ms = 0
        self.clock_ms = self.now
        self.noted: list = []

    def now(self) -> int:
        return self.now_ms

    def edges(self) -> list:
        found, self.noted = self.noted, []
        return found

    def memory(self) -> int | None:
        return None


board = Late()
node = Node(SITE, board, 7)


def rounds(until_ms: int, *edges: tuple) -> None:
    waiting = list(edges)
    while board.now_ms < until_ms:
        board.now_ms += 40
        # One that an interrupt noted a moment ago comes with the round after the next, as over a slow wire.
        while waiting and waiting[0][0] <= board.now_ms - 40:
            board.noted.append(waiting.pop(0))
        node.tick()


node.machine.state = "empty"
node.mark = 5
node.receive(bytes.fromhex("a400070106020a031a00007530"), False)
rounds(400)
rounds(4000, (1003, "arming", True), (1013, "arming", False), (2777, "end", True), (2999, "end", False))
rounds(9000)
print(node.machine.state, node.role.body().get("arm_to_end"))
