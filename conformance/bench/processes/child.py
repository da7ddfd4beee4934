"""A program that the kit starts, and that never outlives it: not even where the kit is killed.

Nobody is told of the end of a process that was killed, but its pipes are closed. So a small process stands between
(`watchdog.py`), which holds the other end of a pipe, and ends the program with all that it has started.
"""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from typing import IO

WATCHDOG = Path(__file__).with_name("watchdog.py")
LAST_WAIT_S = 1.0
"""How long the watchdog may take to end a program: it is killed, which takes no time."""


class Child:
    """A program in a session of its own: Ctrl-C in the terminal is for the kit, which ends it.

    `folder` is one of the kit's own that is taken away where the kit is killed. Unless `with_all`, what the program
    leaves running when it ends by itself is left alone. `environment` is the program's (None: this one's). Raises
    OSError where it cannot be run.
    """

    def __init__(
        self,
        words: Sequence[str],
        *,
        stdout: IO[bytes] | int = subprocess.DEVNULL,
        stderr: IO[bytes] | int | None = None,
        folder: Path | None = None,
        with_all: bool = True,
        environment: Mapping[str, str] | None = None,
    ) -> None:
        reading, writing = os.pipe()
        try:
            start = [sys.executable, "-I", "-S", str(WATCHDOG)]
            command = [*start, str(writing), str(folder or ""), str(int(with_all)), *words]
            self._watchdog = subprocess.Popen(
                command,
                stdin=subprocess.PIPE,
                stdout=stdout,
                stderr=stderr,
                pass_fds=(writing,),
                start_new_session=True,
                env=environment,
            )
        except BaseException:
            os.close(reading)
            raise
        finally:
            os.close(writing)
        try:
            self.process_id = self._started(reading, words[0])
        except BaseException:
            self.end()
            raise

    def _started(self, reading: int, program: str) -> int:
        """The id of the process that runs. Raises OSError."""
        with open(reading, "rb") as told:
            number, _, trouble = told.read().partition(b"\n")
        if trouble or not number:
            code = int(trouble or 0)
            raise OSError(code, os.strerror(code) if code else "it was ended before it was started", program)
        return int(number)

    def poll(self) -> int | None:
        """The code that it has ended with, negative for a signal; None while it runs.

        One that has ended with 0 and left something running counts as running.
        """
        return self._watchdog.poll()

    def wait(self, timeout_s: float | None = None) -> int:
        """The same once it has ended. Raises subprocess.TimeoutExpired."""
        return self._watchdog.wait(timeout_s)

    def end(self) -> None:
        """Kill it with all that it has started, as a power failure does; a second call does nothing."""
        pipe = self._watchdog.stdin
        assert pipe is not None
        if not pipe.closed:
            with suppress(OSError):  # it has ended by itself
                pipe.write(b".")
                pipe.flush()
            with suppress(OSError):
                pipe.close()
        with suppress(subprocess.TimeoutExpired):
            self._watchdog.wait(LAST_WAIT_S)
