"""What a command is given to work with."""

from __future__ import annotations

import socket
import sys
from dataclasses import dataclass
from pathlib import Path

from protocol.recording import Header, RecordedMessage, RecordingReader, RecordingWriter
from tests.stopping.processes import PATIENCE_S

GOOD_RUN = Path(__file__).parents[2] / "examples" / "recordings" / "good-1.ywrec"
STUBBORN = """
import signal, sys, time
for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
    signal.signal(number, signal.SIG_IGN)
time.sleep(600)
"""


class SilentServer:
    """Takes connections and never says a word."""

    def __init__(self, server: socket.socket) -> None:
        self._server = server
        self._taken: list[socket.socket] = []
        self.url = f"mqtt://127.0.0.1:{server.getsockname()[1]}"

    def wait_for_a_client(self) -> None:
        """Wait until a client has connected and said its first bytes: it waits for an answer."""
        self._server.settimeout(PATIENCE_S)
        taken, _ = self._server.accept()
        self._taken.append(taken)
        taken.settimeout(PATIENCE_S)
        assert taken.recv(1), "it closed the connection before it said anything"

    def close(self) -> None:
        """Close what was taken."""
        for taken in self._taken:
            taken.close()


@dataclass(frozen=True)
class Place:
    """A folder, a site file, a broker, a server that stays silent and a long recording."""

    folder: Path
    site: str
    url: str
    silent: SilentServer
    long: str

    def path(self, name: str) -> str:
        """A file in the folder."""
        return str(self.folder / name)

    def pairs(self, number: int) -> str:
        """A file of so many measured pairs."""
        path = self.folder / "pairs.csv"
        rows = (f"{reading},{300 + reading / 10 + reading * 7919 % 13 / 10:.1f}" for reading in range(number))
        path.write_text("reading,position\n" + "\n".join(rows) + "\n", encoding="utf-8")
        return str(path)

    def stubborn(self) -> str:
        """The line that starts a program which ignores every signal that can be ignored."""
        path = self.folder / "stubborn.py"
        path.write_text(STUBBORN, encoding="utf-8")
        return f"{sys.executable} {path} {{broker}} {{brief}}"


def make_recording(path: Path, messages: int) -> None:
    """The good run of the examples again and again: valid messages, with orders, reports and states."""
    with GOOD_RUN.open("rb") as file:
        run = [item for item in RecordingReader(file) if isinstance(item, RecordedMessage)]
    lasts_us = run[-1].at_us + 1_000_000
    with path.open("wb") as file:
        writer = RecordingWriter(file, Header("harlow-basin", "2026-01-01T00:00:00Z", "made", "0"))
        for number in range(messages):
            again, at = divmod(number, len(run))
            writer.message(run[at]._replace(at_us=run[at].at_us + again * lasts_us))
        writer.end(messages // len(run) * lasts_us + lasts_us)
