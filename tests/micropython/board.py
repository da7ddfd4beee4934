"""The node in MicroPython as a process on a broker or a serial line, and its power cycled."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import AbstractContextManager
from pathlib import Path

from conformance.bench.brokers.broker import Broker
from conformance.bench.wire_bench import WireBench
from conformance.suite.fixture import Fixture
from protocol.site import Site
from tests.firmware.cycled_board import CycledBoard, benched
from tests.micropython.interpreter import FIRMWARE, site_for, started


class Board(CycledBoard):
    """The interpreter with the node, on its `way` to the bus."""

    def __init__(
        self,
        folder: Path,
        of: Site,
        node: str,
        way: Sequence[object],
        *,
        package: Path = FIRMWARE,
    ) -> None:
        self._folder, self._way, self._package = site_for(folder, of, node), way, package
        log = folder / "node.log"
        log.write_bytes(b"")
        super().__init__(log)

    def start(self) -> None:
        arguments = (self._folder / "boot", "bench", *self._way)
        with self.log.open("ab") as log:
            program = self._package / "unix" / "node.py"
            self.process = started(program, arguments, self._folder, self._package, log)


def on_the_bench(
    folder: Path, of: Site, node: str, broker: Broker, *, slow: float = 1.0, package: Path = FIRMWARE
) -> AbstractContextManager[tuple[Board, WireBench, Fixture]]:
    """A board behind a tap, the bench around it, and a fixture, once the board has said something."""
    return benched(
        lambda tap: Board(folder, of, node, ("mqtt", tap.host, tap.port), package=package),
        broker, of, node, slow,
    )  # fmt: skip
