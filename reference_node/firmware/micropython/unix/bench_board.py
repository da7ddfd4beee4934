"""A board that is a process on the bench: its machine follows every setpoint at once, its sensors are the tester's."""

import gc
import os

from yardwire_node.board import Board
from yardwire_node.clock import Clock


class BenchBoard(Board):
    """Clock, cells and entropy of the computer. `records` is the path of the two files for the number of the boot."""

    def __init__(self, records: str, begin_ms: int = 0) -> None:
        super().__init__()
        self.clock_ms = Clock(begin_ms)
        self._records = records

    def inputs(self) -> dict:
        return {}

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

    def memory(self) -> int | None:
        gc.collect()
        return gc.mem_free()

    def read_record(self, record: int) -> bytes:
        try:
            with open(self._records + "." + str(record), "rb") as file:
                return file.read()
        except OSError:
            return b""

    def write_record(self, record: int, content: bytes) -> None:
        with open(self._records + "." + str(record), "wb") as file:
            file.write(content)

    def entropy(self) -> int:
        return int.from_bytes(os.urandom(2), "big")
