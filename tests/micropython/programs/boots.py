"""Runs in MicroPython: boots of one board, one a line of input.

`boot` answers number and whether it was drawn; `cut` loses power while a record is written; `erase` empties them.
"""

import sys

from yardwire_node.boot import next_boot


class Cells:
    def __init__(self) -> None:
        self.records = [b"\xff\xff\xff\xff", b"\xff\xff\xff\xff"]
        self.is_cut = False

    def read_record(self, record: int) -> bytes:
        return self.records[record]

    def write_record(self, record: int, content: bytes) -> None:
        self.records[record] = content[:2] if self.is_cut else content

    def entropy(self) -> int:
        return 41_000


cells = Cells()
for line in sys.stdin:
    word = line.strip()
    if word == "erase":
        cells.records = [b"", b"\xff\xff\xff\xff"]
    cells.is_cut = word == "cut"
    boot, drawn = next_boot(cells) if word != "erase" else (0, False)
    print(boot if word == "boot" else word, drawn if word == "boot" else "")
