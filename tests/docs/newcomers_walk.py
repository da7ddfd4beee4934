"""What a newcomer types in the first minutes, and what a terminal of 80 columns shows: run, and written down.

`python -m tests.docs.newcomers_walk` writes `newcomers_walk.txt` again, which is to be read as a newcomer would.
"""

from __future__ import annotations

import fcntl
import os
import pty
import re
import shlex
import shutil
import struct
import subprocess
import sys
import tempfile
import termios
from pathlib import Path

ROOT = Path(__file__).parents[2]
TEXT = Path(__file__).with_name("newcomers_walk.txt")
COLUMNS, ROWS = 80, 24
WALK = (
    "yardwire",
    "yardwire site new",
    "yardwire site check",
    "yardwire site digest",
    "yardwire supervise 01-one-crane",
    "yardwire conform ferry --spawn --choice embedded --only orders-ask",
    "yardwire conform shutle --no-motion",
    "yardwire explain ORD-06",
    "yardwire explain ordes-ask",
    "yardwire validate --message job-order --hex 'a1 02 00'",
    "yardwire show good-1.ywrec --node north --limit 6",
    "yardwire show good-1.ywrec --node north --delta --limit 6",
    "yardwire diff good-1.ywrec missed-pick.ywrec",
    "yardwire recrod",
)
VARIES = (
    (re.compile(r"port \d+"), "port N"),
    (re.compile(r"127\.0\.0\.1:\d+"), "127.0.0.1:N"),
    (re.compile(r"\d+ times, by \d+ requirements"), "N times, by N requirements"),
    (re.compile(r"\n  note     the test machine stood still[^\n]*(?:\n {11}[^\n]*)*"), ""),
)
"""What is another figure in each run."""


def typed(line: str, folder: Path) -> str:
    """What the terminal shows for one command, with what varies taken out."""
    name, *words = shlex.split(line)
    assert name == "yardwire"
    ours, theirs = pty.openpty()
    fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", ROWS, COLUMNS, 0, 0))
    kept = {
        key: value for key, value in os.environ.items() if not key.startswith("YARDWIRE") and key != "COLUMNS"
    }
    surroundings = kept | {"TERM": "dumb", "YARDWIRE_CONFIG": "", "PYTHONPATH": str(ROOT)}
    command = [sys.executable, "-m", "conformance.commands.main", *words]
    with subprocess.Popen(
        command, stdin=subprocess.DEVNULL, stdout=theirs, stderr=theirs, cwd=folder, env=surroundings
    ) as process:
        os.close(theirs)
        said = b""
        while True:
            try:
                chunk = os.read(ours, 65_536)
            except OSError:  # Linux says so where the other end is closed.
                break
            if not chunk:
                break
            said += chunk
    os.close(ours)
    return settled(said.decode("utf-8"), process.returncode)


def settled(said: str, code: int) -> str:
    """The text as it stands on the screen in the end: a line that is written over is gone."""
    lines = [line.split("\r\x1b[K")[-1] for line in said.replace("\r\n", "\n").split("\n")]
    text = "\n".join(line.rstrip() for line in lines).strip("\n")
    for pattern, instead in VARIES:
        text = pattern.sub(instead, text)
    return text + (f"\n[exit {code}]" if code else "")


def walk(folder: Path) -> dict[str, str]:
    """Every command, in a folder with two of the examples."""
    for name in ("good-1.ywrec", "missed-pick.ywrec"):
        shutil.copy(ROOT / "examples" / "recordings" / name, folder)
    return {line: typed(line, folder) for line in WALK}


def written(shown: dict[str, str]) -> str:
    """As it stands in the file."""
    return "\n\n".join(f"$ {line}\n{text}" for line, text in shown.items()) + "\n"


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as made:
        TEXT.write_text(written(walk(Path(made))), encoding="utf-8")
