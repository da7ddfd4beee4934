"""A command as a user starts it, stopped at a moment that a test chooses, and whatever it has left running."""

from __future__ import annotations

import os
import pty
import queue
import re
import select
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path

YARDWIRE = (sys.executable, "-m", "conformance.commands.entry")
WITHIN_S = 2.0
PATIENCE_S = 30.0
"""Until something that is waited for, on a machine with other work too, is a failure."""
HAS_PROC = Path("/proc/self/environ").exists()
TICKS_A_SECOND = os.sysconf("SC_CLK_TCK")


@dataclass
class Running:
    """A command under way. What it says, on standard output and error alike, is kept in `said`."""

    process: subprocess.Popen[bytes]
    mark: str
    terminal: int | None = None
    began: float = field(default_factory=time.monotonic)
    used_s: float = 0.0
    """Processor time that it had used when it was last looked at."""
    said: list[str] = field(default_factory=list)
    _lines: queue.SimpleQueue[str | None] = field(default_factory=queue.SimpleQueue)
    _deaf: threading.Event = field(default_factory=threading.Event)

    def listen(self, descriptor: int) -> None:
        """Read what it says on a thread of its own, so that it never waits for us."""

        def read() -> None:
            rest = b""
            with suppress(OSError):  # Linux ends the reading of a terminal that is closed by all others so.
                while part := self._part(descriptor):
                    *lines, rest = re.split(rb"[\r\n]+", rest + part)
                    for line in lines:
                        self._lines.put(line.decode(errors="replace"))
                    if rest.rstrip().endswith((b":", b"?")):  # a question has no end of line
                        self._lines.put(rest.decode(errors="replace"))
            self._lines.put(None)

        self._reader = threading.Thread(target=read, daemon=True)
        self._reader.start()

    def _part(self, descriptor: int) -> bytes:
        """What it says next; nothing at the end, or once we do not listen any more."""
        while not self._deaf.is_set():
            if select.select([descriptor], [], [], 0.05)[0]:
                return os.read(descriptor, 4096)
        return b""

    def wait_for(self, text: str) -> None:
        """Wait until it says this."""
        end = time.monotonic() + PATIENCE_S
        while (left := end - time.monotonic()) > 0:
            with suppress(queue.Empty):
                line = self._lines.get(timeout=left)
                assert line is not None, f"it ended before it said {text!r}: {self.said}"
                self.said.append(line)
                if text in line:
                    return
        raise AssertionError(f"it never said {text!r}: {self.said}")

    def look(self) -> float:
        """Seconds of processor time that it has used; where they cannot be seen, seconds since it began."""
        with suppress(FileNotFoundError):
            self.used_s = processor_s(self.process.pid) if HAS_PROC else time.monotonic() - self.began
        return self.used_s

    def works(self, seconds: float) -> bool:
        """Wait until it has used so much processor time; False where it was over before.

        It stands still then until `send`: else it could end by itself before a signal comes to it.
        """
        while self.look() < seconds:
            if self.process.poll() is not None:
                return False
            time.sleep(0.005)
        if HAS_PROC:
            self.process.send_signal(signal.SIGSTOP)
            while self.process.poll() is None and not is_stopped(self.process.pid):
                time.sleep(0.001)
            self.look()
        return self.process.poll() is None

    def send(self, number: signal.Signals) -> None:
        """Send a signal; where it stands still it goes on with that."""
        self.process.send_signal(number)
        self.process.send_signal(signal.SIGCONT)

    def all_said(self) -> str:
        """All that it has said, once it has ended."""
        while (line := self._lines.get(timeout=PATIENCE_S)) is not None:
            self.said.append(line)
        return "\n".join(self.said)

    def stopped_by(self, number: signal.Signals, *, code: int | None = None, again_after_s: float = 0) -> str:
        """Send a signal; gives all that it said. Fails where it, or what it started, does not end in time."""
        began = time.monotonic()
        self.send(number)
        if again_after_s:
            time.sleep(again_after_s)
            with suppress(ProcessLookupError):
                self.process.send_signal(number)
        return self.ended(began, 128 + number if code is None else code)

    def hang_up(self) -> str:
        """Close its terminal."""
        assert self.terminal is not None
        # A terminal that a thread reads is not closed by closing it.
        self._deaf.set()
        self._reader.join()
        began = time.monotonic()
        os.close(self.terminal)
        self.terminal = None
        return self.ended(began, 128 + signal.SIGHUP)

    def ended(self, began: float, code: int) -> str:
        """All that it said. Fails where it has not ended in time since `began`, or not with this code."""
        try:
            self.process.wait(PATIENCE_S)
        finally:
            took = time.monotonic() - began
        said = self.all_said()
        assert self.process.returncode == code, said
        assert took < WITHIN_S, f"it took {took:.1f} s: {said}"
        assert "Traceback" not in said, said
        assert left_running(self.mark, until=began + WITHIN_S) == []
        return said


def processor_s(process: int) -> float:
    """Seconds of processor time that it has used so far, in all its threads (Linux). Raises FileNotFoundError."""
    stat = Path(f"/proc/{process}/stat").read_text(encoding="utf-8")
    user, system = stat.rpartition(")")[2].split()[11:13]
    return (int(user) + int(system)) / TICKS_A_SECOND


def is_stopped(process: int) -> bool:
    """Whether it stands still, stopped by a signal or already ended (Linux)."""
    try:
        stat = Path(f"/proc/{process}/stat").read_text(encoding="utf-8")
    except FileNotFoundError:
        return True
    return stat.rpartition(")")[2].split()[0] in "TZ"


def left_running(mark: str, until: float = 0.0) -> list[str]:
    """The commands that still run with this mark in their environment, looked for until that time."""
    if not HAS_PROC:
        return []
    while True:
        found = list(_with_mark(mark))
        if not found or time.monotonic() > until:
            return found
        time.sleep(0.05)


def _with_mark(mark: str) -> Iterator[str]:
    for folder in Path("/proc").glob("[0-9]*"):
        with suppress(OSError):
            if f"STOPPING_MARK={mark}".encode() in (folder / "environ").read_bytes().split(b"\0"):
                command = (folder / "cmdline").read_bytes().replace(b"\0", b" ").decode(errors="replace")
                if command:  # what has ended and was not asked for yet has none
                    yield command


@contextmanager
def started(
    mark: str,
    *words: str,
    on_terminal: bool = False,
    program: Sequence[str] = YARDWIRE,
    cwd: Path | None = None,
) -> Iterator[Running]:
    """Start `yardwire WORDS`; killed at the end if it still runs."""
    environment = {**os.environ, "STOPPING_MARK": mark, "PYTHONUNBUFFERED": "1", "COLUMNS": "200"}
    environment["PYTHONPATH"] = str(Path(__file__).parents[2])
    if on_terminal:
        ours, theirs = pty.openpty()
        # The process leads a session and has the terminal as its own, as one that a shell has started.
        take = (
            "import fcntl, os, sys, termios; fcntl.ioctl(0, termios.TIOCSCTTY, 0);"
            "os.execv(sys.argv[1], sys.argv[1:])"
        )
        process = subprocess.Popen(
            [sys.executable, "-c", take, *program, *words],
            stdin=theirs, stdout=theirs, stderr=theirs, env=environment, cwd=cwd, start_new_session=True,
        )  # fmt: skip
        os.close(theirs)
        running = Running(process, mark, ours)
        running.listen(ours)
    else:
        process = subprocess.Popen(
            [*program, *words],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, env=environment, cwd=cwd,
        )  # fmt: skip
        running = Running(process, mark)
        assert process.stdout is not None
        running.listen(os.dup(process.stdout.fileno()))
    try:
        yield running
    finally:
        process.kill()
        process.wait()
        if running.terminal is not None:
            os.close(running.terminal)
        for pipe in (process.stdin, process.stdout):
            if pipe is not None:
                pipe.close()
