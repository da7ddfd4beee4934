"""The core in C as a process on MQTT: built for a node of the site with sanitizers, and its power cycled."""

from __future__ import annotations

import subprocess
from contextlib import AbstractContextManager
from functools import cache
from pathlib import Path

from conformance.bench.brokers.broker import Broker
from conformance.bench.tap.tap import Tap
from conformance.bench.wire_bench import WireBench
from conformance.publish.firmware.site_header import site_header
from conformance.suite.fixture import Fixture
from protocol.site import Site
from protocol.site_file import read_site, scenario_text
from tests.firmware.cycled_board import CycledBoard, benched

CORE = Path(__file__).resolve().parents[2] / "reference_node" / "firmware" / "c"
NODES = {"crane": "north", "berth": "siding", "shuttle": "ferry"}
WARNINGS = ("-std=c99", "-pedantic", "-Wall", "-Wextra", "-Wconversion", "-Wshadow", "-Werror")
HOST_WARNINGS = ("-std=gnu11", "-Wall", "-Wextra", "-Wconversion", "-Werror")
SANITIZERS = ("-O1", "-g", "-fsanitize=address,undefined", "-fno-sanitize-recover=all")


@cache
def site() -> Site:
    """harlow-basin with boards that read and write CBOR alone."""
    text = scenario_text()
    for old, new in (
        ('reads = "both"', 'reads = "cbor"'),
        ('reads = "json"', 'reads = "cbor"'),
        ('writes = "json"', 'writes = "cbor"'),
    ):
        assert old in text
        text = text.replace(old, new)
    return read_site(text.encode(), "harlow-basin with the core in C")


def compiled(command: list[str | Path]) -> None:
    """Run a compiler, and fail with what it says."""
    made = subprocess.run([str(word) for word in command], capture_output=True, text=True, check=False)
    assert made.returncode == 0, made.stderr


def build(
    folder: Path,
    node: str,
    source: Path = CORE,
    compiler: str = "gcc",
    of: Site | None = None,
    link: str = "mqtt",
) -> Path:
    """The program of a node on `link`, mqtt or line; `source` is the folder of the core, or of a copy with a bug."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "yw_site.h").write_text(site_header(of or site(), node), encoding="utf-8")
    host, core, program = source / "host", folder / "node.o", folder / "node"
    include = [f"-I{folder}", f"-I{source / 'src'}"]
    node_c = host / ("node.c" if link == "mqtt" else "node_on_a_line.c")
    compiled([compiler, *WARNINGS, *SANITIZERS, *include, "-c", node_c, "-o", core])
    sources = [host / "process.c", host / f"{link}.c", core]
    libraries = ["-lmosquitto"] if link == "mqtt" else []
    compiled([compiler, *HOST_WARNINGS, *SANITIZERS, *include, *sources, *libraries, "-o", program])
    return program


class Board(CycledBoard):
    """A program on MQTT."""

    def __init__(self, program: Path, tap: Tap, uptime: int = 0) -> None:
        self._program, self._tap, self._uptime = program, tap, uptime
        self.cells = program.with_suffix(".cells")
        super().__init__(program.with_suffix(".log"))

    def start(self) -> None:
        arguments = (self._tap.host, self._tap.port, self.cells, self._uptime)
        with self.log.open("wb") as log:
            self.process = subprocess.Popen(
                [self._program, *map(str, arguments)], stdout=subprocess.DEVNULL, stderr=log
            )


def on_the_bench(
    program: Path, node: str, broker: Broker, uptime: int = 0
) -> AbstractContextManager[tuple[Board, WireBench, Fixture]]:
    """A board behind a tap, the bench around it, and a fixture, once the board has said something."""
    return benched(lambda tap: Board(program, tap, uptime), broker, site(), node)
