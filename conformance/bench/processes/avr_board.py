"""A board in a simulator: the image of a node for an ATmega328P, in simavr, with its machine at the pins.

Its line is a pseudo-terminal, which `yardwire link` or `--serial` opens as any other port. Needs avr-gcc, gcc and
simavr (Debian: gcc-avr avr-libc gcc libc6-dev libsimavr-dev).
"""

from __future__ import annotations

import json
import os
import select
import shlex
import subprocess
import time
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

from conformance.bench.processes.child import Child
from protocol.site import NodeSite
from protocol.trouble import Trouble

CHIP = "atmega328p"
IMAGE_FLAGS = (
    "-Os", "-flto", "-mcall-prologues", "-mrelax", "-mstrict-X", "-fno-inline-small-functions", "-fno-ipa-cp",
    "-fno-tree-pre", "-fno-move-loop-invariants", "-fno-gcse", "-fno-tree-sra", "-fno-ssa-phiopt",
    "-fira-algorithm=priority", "-std=gnu99",
)  # fmt: skip
"""What the smallest image came out of: those from -mstrict-X on were tried one by one, and are worth 600 bytes."""
WARNINGS = ("-Wall", "-Wextra", "-Wconversion", "-Wshadow", "-Werror")
HEADERS = "/usr/include/simavr"
PATIENCE_S = 20.0
PACKAGES = "gcc-avr avr-libc gcc libc6-dev libsimavr-dev"


def build_image(
    core: Path,
    folder: Path,
    role: str,
    site_header: str,
    flags: Iterable[str] = (),
    *,
    node: Path | None = None,
) -> Path:
    """The program of a node for the chip. `core` is `reference_node/firmware/c`, `site_header` what yw_site.h says.

    `node` is a file with the core and a main function of its own, in place of the line and the board's.

    Raises Trouble with what the compiler says.
    """
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "yw_site.h").write_text(site_header, encoding="utf-8")
    image = folder / f"{role}.elf"
    own = [core / "avr" / name for name in ("node.c", "board.c")] if node is None else [node]
    sources = [*own, core / "avr" / f"{role}.c"]
    include = [f"-I{folder}", f"-I{core / 'src'}"]
    _compile(["avr-gcc", f"-mmcu={CHIP}", *IMAGE_FLAGS, *WARNINGS, *flags, *include, *sources, "-o", image])
    return image


def build_simulator(core: Path, folder: Path) -> Path:
    """The program that runs an image. Raises Trouble with what the compiler says."""
    folder.mkdir(parents=True, exist_ok=True)
    made = folder / "simulator"
    sources = sorted((core / "simulator").glob("*.c"))
    _compile(
        ["gcc", "-std=gnu11", "-O2", "-Wall", "-Wextra", "-Werror", f"-I{HEADERS}", *sources, "-o", made,
         "-lsimavr", "-lm"]
    )  # fmt: skip
    return made


def _compile(command: Sequence[str | Path]) -> None:
    words = [str(word) for word in command]
    try:
        run = subprocess.run(words, capture_output=True, text=True, check=False, timeout=120)
    except FileNotFoundError:
        fix = f"On Debian and Ubuntu: apt install {PACKAGES}"
        raise Trouble(f"{words[0]} is not on this machine", fix=fix) from None
    if run.returncode:
        fix = f"On Debian and Ubuntu it needs: apt install {PACKAGES}"
        raise Trouble(f"{words[0]} could not build the board: {run.stderr.strip()}", fix=fix)


def crane_words(node: NodeSite) -> list[str]:
    """A crane at the pins, away from its home switches: the length of each axis, and where it stands."""
    assert node.crane is not None
    words = ["crane"]
    for axis in node.crane.axes:
        length = axis.most - axis.home
        words += [str(length), str(length // 4)]
    return words


class AvrBoard:
    """A board that runs: power on, motor power there, in service. It ends with the kit."""

    def __init__(self, simulator: Path, image: Path, machine: Sequence[str], *, seed: int = 1) -> None:
        """`machine` is `crane_words`, or 'berth'; `seed` is what its memory holds. Raises Trouble."""
        self._control = image.with_suffix(".control")
        self._control.unlink(missing_ok=True)
        os.mkfifo(self._control)
        reading, writing = os.pipe()
        self._said = reading
        self._words = b""
        try:
            words = [str(simulator), str(image), str(seed), str(self._control), *machine]
            with os.fdopen(writing, "wb") as out:
                self._child = Child(words, stdout=out)
        except OSError as error:
            os.close(reading)
            raise Trouble(f"the simulator does not start: {error}") from None
        self.port = self._line()
        """The path of its serial line."""

    @property
    def reset_command(self) -> str:
        """For `--reset-command`: cycles its power."""
        return shlex.join(["kill", "-HUP", str(self._child.process_id)])

    def tell(self, line: str = "tell") -> dict[str, Any]:
        """Give it a line ('power-cycle', 'bench 1', 'motor-power 0', 'hand 1', 'box 0'); gives what it has counted.

        `at` is where the axes stand, `lost_steps` what they did not follow; `variables`, and `stack` at its deepest,
        are in bytes. Raises Trouble where it has ended.
        """
        with self._control.open("w", encoding="ascii") as control:
            control.write(line + "\n")
        told: dict[str, Any] = json.loads(self._line())
        if not told["known"]:
            raise ValueError(f"the simulated board knows no {line!r}")
        return told

    def on_bench(self) -> AvrBoard:
        """Set the bench jumper, and start again: it is looked at once."""
        self.tell("bench 1")
        self.tell("power-cycle")
        return self

    def end(self) -> None:
        """Power off, for good."""
        self._child.end()
        os.close(self._said)
        self._control.unlink(missing_ok=True)

    def __enter__(self) -> AvrBoard:
        return self

    def __exit__(self, *_: object) -> None:
        self.end()

    def _line(self) -> str:
        end = time.monotonic() + PATIENCE_S
        while b"\n" not in self._words:
            left = end - time.monotonic()
            data = (
                os.read(self._said, 4096)
                if left > 0 and select.select([self._said], [], [], left)[0]
                else b""
            )
            if not data:
                raise Trouble("the simulated board has ended, or says nothing")
            self._words += data
        line, self._words = self._words.split(b"\n", 1)
        return line.decode("ascii")
