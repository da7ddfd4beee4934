"""A node in MicroPython as a process: `node.py bench|wired RECORDS mqtt HOST PORT [UPTIME]` or `... serial DEVICE`.

`yw_site` has to be found: what the node knows of its layout, made from the site file.
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


def main(mode: str, records: str, way: str, where: str, port: str = "", uptime: str = "0") -> None:
    board = BenchBoard(records, int(uptime)) if mode == "bench" else WiredBoard(records)
    boot, lost = next_boot(board)
    node = Node(SITE, board, boot, boot_lost=lost, bench=mode == "bench", reset="power-on")
    if way == "mqtt":
        run(node, MqttLink(node, where, int(port)))
    else:
        # A file of this port reads until it has all that was asked for.
        run(node, SerialLink(node, open(where, "r+b", 0), chunk=1))


main(*sys.argv[1:])
