"""`yardwire conform` as a process, with what comes to its tap: nodes, and clients that are none."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from tests.commands.yardwire import YARDWIRE

PATIENCE_S = 60


@dataclass
class Kit:
    """A running `conform`; `told` is what it has said on standard error so far."""

    process: subprocess.Popen[str]
    port: int
    told: str

    def ended(self) -> tuple[int, str, str]:
        """Exit code, standard output and standard error of the whole run."""
        out, err = self.process.communicate(timeout=PATIENCE_S)
        return self.process.returncode, out, self.told + err

    def interrupt(self) -> None:
        """Ctrl-C."""
        self.process.send_signal(signal.SIGINT)


@contextmanager
def conforming(*arguments: str | Path, prelude: str = "") -> Iterator[Kit]:
    """Start it and wait for its port. `prelude` is run before it in the same process."""
    command = [sys.executable, "-c", prelude + YARDWIRE, "conform", *map(str, arguments)]
    with subprocess.Popen(
        command,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
        env=os.environ | {"PYTHONUNBUFFERED": "1"},
    ) as process:
        try:
            assert process.stderr is not None
            told = ""
            while not (found := re.search(r"connect to \S+, port (\d+)", told)):
                line = process.stderr.readline()
                assert line, told
                told += line
            yield Kit(process, int(found[1]), told)
        finally:
            if process.poll() is None:
                process.kill()


@contextmanager
def node(name: str, site: Path, port: int) -> Iterator[subprocess.Popen[bytes]]:
    """A reference node on the bench that connects to a port."""
    command = [sys.executable, "-c", YARDWIRE, "node", name, "--site", str(site), "--bench", "--yes"]
    with subprocess.Popen(
        [*command, "--broker", f"mqtt://127.0.0.1:{port}"],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    ) as process:
        try:
            yield process
        finally:
            process.kill()
