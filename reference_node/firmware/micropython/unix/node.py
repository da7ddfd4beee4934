"""A node in MicroPython as a process: `node.py RECORDS bench|PINS mqtt HOST PORT [USER PASSWORD]`, or `serial DEVICE`.

With `bench` its sensors are a tester's; else `PINS` is where its pins are, see `wired_board.py`. `yw_site` has to be
found: what the node knows of its layout, made from the site file.
"""

import sys

from unix.bench_board import BenchBoard
from unix.wired_board import WiredBoard
from yardwire_node.boot import next_boot
from yardwire_node.main_loop import run
from yardwire_node.mqtt import MqttLink
from yardwire_node.node import Node
from yardwire_node.serial import SerialLink
from yw_site import SITE


def main(records: str, pins: str, way: str, *where: str) -> None:
    board = BenchBoard(records) if pins == "bench" else WiredBoard(records, pins)
    boot, lost = next_boot(board)
    node = Node(SITE, board, boot, boot_lost=lost, bench=pins == "bench", reset="power-on")
    if way == "mqtt":
        run(node, MqttLink(node, where[0], int(where[1]), *where[2:]))
    else:
        # A file of this port reads until it has all that was asked for.
        run(node, SerialLink(node, open(where[0], "r+b", 0), chunk=1))


main(*sys.argv[1:])
