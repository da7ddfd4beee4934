"""The shuttle in C: built with sanitizers, started as a process, and its power cycled."""

from __future__ import annotations

import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from pathlib import Path
from random import Random
from typing import Any

from conformance.bench.brokers.broker import Broker
from conformance.bench.tap.tap import Tap
from conformance.bench.wire_bench import WireBench
from conformance.publish.artefacts.header import header
from conformance.suite.fixture import Fixture
from protocol.site import Site
from protocol.site_file import read_site, scenario_text
from protocol.specification import specification

NODE = "ferry"
SOURCES = sorted(Path(__file__).parent.glob("*.c"))
HEADERS = sorted(Path(__file__).parent.glob("*.h"))
FLAGS = (
    "-std=gnu11", "-O1", "-g", "-Wall", "-Wextra", "-Werror", "-fsanitize=address,undefined",
    "-fno-sanitize-recover=all",
)  # fmt: skip
PATIENCE_MS = 20_000
BEFORE_THE_WRAP = 2**32 - 60_000


def site() -> Site:
    """harlow-basin with a shuttle that reads CBOR alone."""
    text = scenario_text()
    old = '[nodes.ferry]\nroles = ["shuttle"]\nreads = "both"'
    assert old in text
    new = old.replace("both", "cbor") + '\nfirmware = "c-1"'
    return read_site(text.replace(old, new).encode(), "ferry in C")


@cache
def build(folder: Path, bug: str | None) -> Path:
    """The program, with the header that `yardwire publish` writes; each is built once, and only what differs again."""
    program = folder / (bug or "sound")
    objects = [_compiled(folder, source, bug if _names(source, bug) else None) for source in SOURCES]
    _gcc(*map(str, objects), "-lmosquitto", "-o", str(program))
    return program


def _names(source: Path, bug: str | None) -> bool:
    """Whether a file, or a header of its folder, is another one with this bug."""
    return bug is not None and any(bug in one.read_text() for one in (source, *HEADERS))


@cache
def _compiled(folder: Path, source: Path, bug: str | None) -> Path:
    place = folder / f"{source.stem}-{bug or 'sound'}.o"
    _gcc(*([f"-D{bug}"] if bug else []), f"-I{_with_header(folder)}", "-c", str(source), "-o", str(place))
    return place


@cache
def _with_header(folder: Path) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "yardwire.h").write_text(header(specification()), encoding="utf-8")
    return folder


def _gcc(*words: str) -> None:
    made = subprocess.run(["gcc", *FLAGS, *words], capture_output=True, text=True, check=False)
    assert made.returncode == 0, made.stderr


class Board:
    """A process whose power can be cycled; `words` is what the sanitizers said."""

    def __init__(self, program: Path, tap: Tap, uptime: int) -> None:
        self._program, self._tap, self._uptime, self._boot = program, tap, uptime, 100
        self._log = program.with_suffix(".log")
        self.start()

    def start(self) -> None:
        self._boot += 1
        digest = site().nodes[NODE].digest
        arguments = (self._tap.host, self._tap.port, "harlow-basin", NODE, self._boot, digest, self._uptime)
        with self._log.open("wb") as log:
            self.process = subprocess.Popen([self._program, *map(str, arguments)], stderr=log)

    def stop(self) -> None:
        self.process.kill()
        self.process.wait()

    def cycle(self) -> None:
        self.stop()
        self.start()

    @property
    def words(self) -> str:
        return self._log.read_text(errors="replace")


def _has_settled(fixture: Fixture) -> bool:
    """Whether it has said its status twice: what it subscribed to is with the broker by then."""
    status = fixture.log.latest("node-status")
    return status is not None and status.body.get("seq", 0) >= 1


@contextmanager
def on_the_bench(program: Path, broker: Broker, uptime: int = 0) -> Iterator[tuple[Board, Any, Fixture]]:
    """A board behind a tap, the bench around it, and the fixture of the tests, once the board has settled."""
    with Tap(broker.host, broker.port) as tap:
        board = Board(program, tap, uptime)
        try:
            with WireBench(tap, broker.address, board.cycle) as bench:
                fixture = Fixture(bench, site(), NODE, Random(1))
                assert bench.wait(lambda: _has_settled(fixture), PATIENCE_MS), "the node in C did not come up"
                yield board, bench, fixture
        finally:
            board.stop()
