"""A command as a process of its own, with what it took and all that it said."""

from __future__ import annotations

import os
import resource
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

from tests.commands.yardwire import YARDWIRE

MEMORY_KB = 300_000
SECONDS = 10.0
"""Of processor time: what the machine does besides is not the file's fault."""
STOPPED_AT = 4 << 30
"""Bytes of address space at which a command is stopped, so that a fault does not take the machine with it."""


@dataclass(frozen=True, slots=True)
class Measured:
    """One run; memory is the most that was resident, in kB, time is that of the processor."""

    code: int
    said: bytes
    """On standard output, then on standard error."""
    memory_kb: int
    seconds: float


def measured(folder: Path, *arguments: str) -> Measured:
    """Run `yardwire` in `folder` with nothing on standard input."""
    with (folder / "said").open("w+b") as said, (folder / "told").open("w+b") as told:
        process = subprocess.Popen(
            [sys.executable, "-c", YARDWIRE, *arguments],
            stdin=subprocess.DEVNULL, stdout=said, stderr=told, cwd=folder, preexec_fn=_bounded,
        )  # fmt: skip
        _, status, used = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
        said.seek(0)
        told.seek(0)
        output = said.read() + told.read()
    memory_kb = used.ru_maxrss if sys.platform == "linux" else used.ru_maxrss // 1024
    return Measured(process.returncode, output, memory_kb, used.ru_utime + used.ru_stime)


def _bounded() -> None:
    resource.setrlimit(resource.RLIMIT_AS, (STOPPED_AT, STOPPED_AT))
    resource.setrlimit(resource.RLIMIT_CPU, (60, 61))
