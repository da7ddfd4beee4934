"""What a process took. It is started from a small one: a child begins with its parent's resident set as its own."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from dataclasses import dataclass
from threading import Timer

_STARTER = """
import json, os, subprocess, sys, time
began = time.perf_counter()
process = subprocess.Popen([sys.executable, *sys.argv[1:]], stdout=subprocess.DEVNULL)
_, status, usage = os.wait4(process.pid, 0)
ended = time.perf_counter()
code = os.waitstatus_to_exitcode(status)
print(json.dumps([usage.ru_utime + usage.ru_stime, ended - began, ended, usage.ru_maxrss, code]))
"""


@dataclass(frozen=True, slots=True)
class Spent:
    """Processor seconds, seconds by the clock, when it ended by that clock, largest resident set, exit code."""

    used: float
    lasted: float
    ended: float
    kilobytes: int
    code: int


class Command:
    """A Python process at work."""

    def __init__(self, *arguments: str) -> None:
        words = [sys.executable, "-c", _STARTER, *arguments]
        self._starter = subprocess.Popen(words, stdout=subprocess.PIPE, text=True, process_group=0)

    def wait(self, most_s: float | None = None) -> Spent:
        """Wait for its end; after `most_s` it is asked to end."""
        limit = Timer(most_s or 0, self._terminate)
        if most_s is not None:
            limit.start()
        out, _ = self._starter.communicate()
        limit.cancel()
        return Spent(*json.loads(out))

    def _terminate(self) -> None:
        """Its child only: who measures has to live on."""
        children = subprocess.run(
            ["pgrep", "-P", str(self._starter.pid)], capture_output=True, text=True, check=False
        )
        for child in children.stdout.split():
            os.kill(int(child), signal.SIGTERM)


__all__ = ["Command", "Spent"]
