"""Flash and RAM of the firmware core on an ATmega328P, a role at a time; `python -m benchmarks.firmware` records them.

Each is the whole program, as it also runs in the simulator: the core, the role with the tables of harlow-basin, the
serial line with its receive buffer, the number of the boot in EEPROM, watchdog, and the drivers of the machine at the
pins. Beside them stands a crane without line and client, in each encoding. The stack is told too, at its deepest over
the whole conformance suite in the simulator.
"""

from __future__ import annotations

import subprocess
import sys
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

from benchmarks.row import Row
from conformance.bench.processes.avr_board import build_image
from conformance.publish.firmware.site_header import site_header
from protocol.site_file import scenario
from tests.firmware.board import CORE, NODES
from tests.needs import is_there

BARE = Path(__file__).with_name("bare_node.c")
ENCODINGS = {
    "bare": ("north", ()),
    "bare-json": ("south", ("-DYW_JSON",)),
    "bare-both": ("north", ("-DYW_JSON",)),
}
"""A crane without line and client: in CBOR, in JSON alone, and one that reads both and writes CBOR."""
RECORDED = Path(__file__).with_name("firmware_sizes.toml")
MAY_GROW = 1.03
BUFFER = 128
BARE_BUFFER = 512
"""What a longest order in JSON needs."""
HEAD = """\
# Bytes of the firmware core on an ATmega328P, as `python -m benchmarks.firmware` measured and wrote them. A test fails
# where one grows by 3 %: make it smaller, or record it and say in the commit what it bought. `stack` is its deepest in
# the simulator over the whole suite in motion, written by hand.
"""


@dataclass(frozen=True, slots=True)
class Size:
    """Bytes of one program, the stack left out."""

    flash: int
    ram: int


def measure(role: str, folder: Path, source: Path = CORE) -> Size:
    """Build the program of a role in `folder` and measure it by avr-size. Raises Trouble."""
    return _size(build_image(source, folder, role, site_header(scenario(), NODES[role], buffer=BUFFER)))


def measure_encoding(name: str, folder: Path, source: Path = CORE) -> Size:
    """Build a crane in one of `ENCODINGS` and measure it. Raises Trouble."""
    node, flags = ENCODINGS[name]
    header = site_header(scenario(), node, buffer=BARE_BUFFER)
    return _size(build_image(source, folder, "crane", header, flags, node=BARE))


def _size(program: Path) -> Size:
    run = subprocess.run(["avr-size", str(program)], check=True, capture_output=True, text=True, timeout=20)
    text, data, bss = map(int, run.stdout.splitlines()[1].split()[:3])
    return Size(text + data, data + bss)


def recorded() -> dict[str, Size]:
    """The sizes as they were recorded, by role or encoding."""
    return {role: Size(row["flash"], row["ram"]) for role, row in _written().items()}


def recorded_stack() -> dict[str, int]:
    """The deepest stack that was seen of an image in the simulator, by role. Written by hand: a run takes minutes."""
    return {role: row["stack"] for role, row in _written().items() if "stack" in row}


def _written() -> dict[str, dict[str, int]]:
    return tomllib.loads(RECORDED.read_text(encoding="utf-8"))


def rows() -> Iterator[Row]:
    """Each size as a ratio to the recorded one."""
    if not is_there("avr-gcc"):
        print("not measured: the sizes need avr-gcc (Debian: gcc-avr avr-libc)", file=sys.stderr)
        return
    before = recorded()
    with TemporaryDirectory() as folder:
        for name, now in measured(Path(folder)).items():
            then = before[name]
            yield Row(
                f"{name}: flash", now.flash / then.flash, MAY_GROW, f"{now.flash} B, recorded {then.flash} B"
            )
            yield Row(f"{name}: RAM", now.ram / then.ram, MAY_GROW, f"{now.ram} B, recorded {then.ram} B")


def measured(folder: Path) -> dict[str, Size]:
    """Every size by its name, a role or an encoding."""
    of_roles = {role: measure(role, folder / role) for role in NODES}
    return of_roles | {name: measure_encoding(name, folder / name) for name in ENCODINGS}


def record() -> None:
    """Measure all and write them down."""
    with TemporaryDirectory() as folder:
        sizes = measured(Path(folder))
    stacks = {role: f"stack = {deep}\n" for role, deep in recorded_stack().items()}
    parts = [
        f"[{role}]\nflash = {size.flash}\nram = {size.ram}\n{stacks.get(role, '')}"
        for role, size in sizes.items()
    ]
    RECORDED.write_text("\n".join([HEAD, *parts]), encoding="utf-8")


if __name__ == "__main__":
    record()
