"""A board that is a process on this machine: its power is cycled, and a bench stands around it."""

from __future__ import annotations

import subprocess
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from random import Random
from typing import TypeVar

from conformance.bench.brokers.broker import Broker
from conformance.bench.tap.tap import Tap
from conformance.bench.wire_bench import WireBench
from conformance.suite.fixture import Fixture
from protocol.site import Site

PATIENCE_MS = 20_000


class CycledBoard(ABC):
    """A process whose power can be cycled."""

    process: subprocess.Popen[bytes]

    def __init__(self, log: Path) -> None:
        """Switch it on; `log` takes what it says."""
        self.log = log
        self.start()

    @abstractmethod
    def start(self) -> None:
        """Switch it on: a new `process`."""

    def stop(self) -> None:
        self.process.kill()
        self.process.communicate()

    def cycle(self) -> None:
        self.stop()
        self.start()

    @property
    def words(self) -> str:
        """What it said before it failed, and what sanitizers said of it."""
        return self.log.read_text(errors="replace")


Made = TypeVar("Made", bound=CycledBoard)


@contextmanager
def running(board: Made) -> Iterator[Made]:
    """The board, whose process does not outlive the block."""
    try:
        yield board
    finally:
        board.stop()


@contextmanager
def benched(
    make: Callable[[Tap], Made], broker: Broker, of: Site, node: str, slow: float = 1.0
) -> Iterator[tuple[Made, WireBench, Fixture]]:
    """The board that `make` gives behind a tap, the bench around it, and a fixture, once it has said something."""
    with (
        Tap(broker.host, broker.port) as tap,
        running(make(tap)) as board,
        WireBench(tap, broker.address, board.cycle) as bench,
    ):
        fixture = Fixture(bench, of, node, Random(1), slow)
        assert bench.wait(lambda: fixture.log.latest("fault") is not None, PATIENCE_MS), board.words
        yield board, bench, fixture
