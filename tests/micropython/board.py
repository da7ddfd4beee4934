"""The node in MicroPython as a process on a broker or a serial line, and its power cycled."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from random import Random

from conformance.bench.brokers.broker import Broker
from conformance.bench.tap.tap import Tap
from conformance.bench.wire_bench import WireBench
from conformance.suite.fixture import Fixture
from protocol.site import Site
from tests.micropython.interpreter import FIRMWARE, site_for, started

PATIENCE_MS = 20_000


class Board:
    """A process whose power can be cycled; `words` is what it said before it failed."""

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
        self._log = folder / "node.log"
        self._log.write_bytes(b"")
        self.start()

    def start(self) -> None:
        arguments = (self._folder / "boot", "bench", *self._way)
        with self._log.open("ab") as log:
            program = self._package / "unix" / "node.py"
            self.process = started(program, arguments, self._folder, self._package, log)

    def stop(self) -> None:
        self.process.kill()
        self.process.communicate()

    def cycle(self) -> None:
        self.stop()
        self.start()

    @property
    def words(self) -> str:
        return self._log.read_text(errors="replace")


@contextmanager
def running(board: Board) -> Iterator[Board]:
    """The board, whose process does not outlive the block."""
    try:
        yield board
    finally:
        board.stop()


@contextmanager
def on_the_bench(
    folder: Path, of: Site, node: str, broker: Broker, *, slow: float = 1.0, package: Path = FIRMWARE
) -> Iterator[tuple[Board, WireBench, Fixture]]:
    """A board behind a tap, the bench around it, and a fixture, once the board has said something."""
    with (
        Tap(broker.host, broker.port) as tap,
        running(Board(folder, of, node, ("mqtt", tap.host, tap.port), package=package)) as board,
        WireBench(tap, broker.address, board.cycle) as bench,
    ):
        fixture = Fixture(bench, of, node, Random(1), slow)
        assert bench.wait(lambda: fixture.log.latest("fault") is not None, PATIENCE_MS), board.words
        yield board, bench, fixture
