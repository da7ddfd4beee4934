"""Runs in MicroPython: `install.py URL FOLDER` installs the package and starts a node of it."""

import sys

import mip

mip.install(sys.argv[1], target=sys.argv[2], mpy=False)
print("installed")

from yardwire_node.board import Board  # noqa: E402
from yardwire_node.node import Node  # noqa: E402
from yw_site import SITE  # noqa: E402


class Still(Board):
    def clock_ms(self) -> int:
        return 0

    def inputs(self) -> dict:
        return {"motor-power": True}

    def motor(self, percent: int) -> None:
        pass

    def off(self) -> None:
        pass


node = Node(SITE, Still(), 1)
print(node.machine.state, node.site["digest"])
