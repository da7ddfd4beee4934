"""A command as a process of its own, with what it took and all that it said."""

from __future__ import annotations

import os
import pty
import resource
import subprocess
import sys
import termios
from dataclasses import dataclass
from pathlib import Path

from tests.commands.yardwire import YARDWIRE

MEMORY_KB = 300_000
SECONDS = 10.0
"""Of processor time: what the machine does besides is not the file's fault."""
STOPPED_AT = 4 << 30
"""Bytes of address space at which a command is stopped, so that a fault does not take the machine with it."""
# The rusage of a child begins with what its parent had when it was started; VmHWM is the program's own.
MEASURED = f"""
import resource, sys
try:
    {YARDWIRE}
finally:
    try:
        most = next(row.split()[1] for row in open("/proc/self/status") if row.startswith("VmHWM"))
    except OSError:
        most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024
    open("memory", "w").write(str(most))
"""


@dataclass(frozen=True, slots=True)
class Measured:
    """One run; memory is the most that was resident, in kB, time is that of the processor."""

    code: int
    said: bytes
    """On standard output and standard error."""
    memory_kb: int
    seconds: float


def measured(folder: Path, *arguments: str, terminal: bool = False) -> Measured:
    """Run `yardwire` in `folder` with nothing on standard input; what it says goes to a file or a terminal."""
    ours, theirs = (
        _terminal() if terminal else (None, os.open(folder / "said", os.O_CREAT | os.O_RDWR | os.O_TRUNC))
    )
    process = subprocess.Popen(
        [sys.executable, "-c", MEASURED, *arguments],
        stdin=subprocess.DEVNULL, stdout=theirs, stderr=theirs, cwd=folder, preexec_fn=_bounded,
    )  # fmt: skip
    os.close(theirs)
    said = b"" if ours is None else _all(ours)
    _, status, used = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    if ours is None:
        said = (folder / "said").read_bytes()
    memory_kb = int((folder / "memory").read_text() or 0)
    return Measured(process.returncode, said, memory_kb, used.ru_utime + used.ru_stime)


def _terminal() -> tuple[int, int]:
    """Both ends of a terminal that gives every byte as it came."""
    ours, theirs = pty.openpty()
    modes = termios.tcgetattr(theirs)
    modes[1] &= ~termios.OPOST
    termios.tcsetattr(theirs, termios.TCSANOW, modes)
    return ours, theirs


def _all(terminal: int) -> bytes:
    said = bytearray()
    try:
        while more := os.read(terminal, 65536):
            said += more
    except OSError:  # The other end is closed: so Linux says it.
        os.close(terminal)
    return bytes(said)


def _bounded() -> None:
    resource.setrlimit(resource.RLIMIT_AS, (STOPPED_AT, STOPPED_AT))
    resource.setrlimit(resource.RLIMIT_CPU, (60, 61))
