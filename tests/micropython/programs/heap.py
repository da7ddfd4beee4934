"""Runs in MicroPython: what a node takes of the heap, modules and an order under way included, once it is collected."""

import gc

gc.collect()
before = gc.mem_alloc()

from unix.bench_board import BenchBoard  # noqa: E402
from yardwire_node.mqtt import MqttLink  # noqa: E402
from yardwire_node.node import Node  # noqa: E402
from yw_site import SITE  # noqa: E402

board = BenchBoard("records")
node = Node(SITE, board, 7, bench=True)
link = MqttLink(node, "127.0.0.1")
node.connected()
node.receive(bytes.fromhex("a202001001"), False)
node.tick()
gc.collect()
print(gc.mem_alloc() - before)
