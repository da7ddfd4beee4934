"""Killed with SIGKILL, when it can put nothing away, the kit leaves no broker, node, page or program running."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from conformance.bench.processes.child import Child
from tests.needs import needs
from tests.stopping.processes import HAS_PROC, left_running, started

pytestmark = pytest.mark.skipif(not HAS_PROC, reason="needs /proc to see what is left running (Linux)")
ENDED_WITHIN_S = 2.0


def killed(mark: str, folder: Path, says: str, *words: str) -> None:
    """Kill the command where it says so. It has started something, and nothing of that is left."""
    with started(mark, *words, cwd=folder) as running:
        running.wait_for(says)
        end = time.monotonic() + 20
        while len(left_running(mark)) < 3:  # itself, a watchdog and what that watches
            assert time.monotonic() < end, left_running(mark)
            time.sleep(0.02)
        running.process.kill()
        running.process.wait()
        assert left_running(mark, until=time.monotonic() + ENDED_WITHIN_S) == []


@needs("mosquitto")
def test_the_broker_is_ended_and_its_folder_taken_away(
    mark: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("TMPDIR", str(tmp_path))
    killed(mark, tmp_path, "stop it with Ctrl-C", "broker", "--port", "0", "--choice", "mosquitto")
    end = time.monotonic() + ENDED_WITHIN_S
    while list(tmp_path.iterdir()) and time.monotonic() < end:
        time.sleep(0.02)
    assert list(tmp_path.iterdir()) == []


def test_the_node_is_ended(mark: str, tmp_path: Path, site: str) -> None:
    words = ("conform", "north", "--site", site, "--spawn", "--choice", "embedded")
    killed(mark, tmp_path, "Let north connect", *words)


def test_the_program_that_ignores_every_signal_is_ended_with_its_children(
    mark: str, tmp_path: Path, site: str
) -> None:
    program = tmp_path / "stubborn.py"
    program.write_text(
        "import signal, subprocess, sys, time\n"
        "for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):\n"
        "    signal.signal(number, signal.SIG_IGN)\n"
        "subprocess.Popen([sys.executable, '-c', 'import time; time.sleep(600)'])\n"
        "time.sleep(600)\n",
        encoding="utf-8",
    )
    line = f"{sys.executable} {program} {{broker}} {{brief}}"
    words = ("conform", "yard", "--site", site, "--choice", "embedded", "--program", line)
    killed(mark, tmp_path, "Let yard connect", *words)


def test_the_page_is_gone(mark: str, tmp_path: Path, site: str) -> None:
    import socket

    with started(mark, "supervise", "--site", site, "--yard", "simulated", "--page", cwd=tmp_path) as running:
        running.wait_for("live, with orders")
        port = int(re.findall(r"127\.0\.0\.1:(\d+)", running.said[-1])[0])
        running.process.kill()
        running.process.wait()
        assert left_running(mark, until=time.monotonic() + ENDED_WITHIN_S) == []
        with pytest.raises(ConnectionRefusedError):
            socket.create_connection(("127.0.0.1", port), 5).close()


@pytest.mark.parametrize("after_s", [0.0, 0.01, 0.03, 0.06, 0.1, 0.2])
def test_at_any_moment_of_the_start_of_a_child(after_s: float, mark: str) -> None:
    """There is no moment at which the kit can be killed and its child goes on."""
    script = (
        "import sys, time\n"
        "from conformance.bench.processes.child import Child\n"
        "print('now', flush=True)\n"
        "Child([sys.executable, '-c', 'import time; time.sleep(600)'])\n"
        "time.sleep(600)"
    )
    with started(mark, program=(sys.executable, "-c", script)) as running:
        running.wait_for("now")
        time.sleep(after_s)
        running.process.kill()
        running.process.wait()
        assert left_running(mark, until=time.monotonic() + ENDED_WITHIN_S) == []


# ---------------------------------------------------------------- the child by itself
def test_a_child_ends_as_its_program_does() -> None:
    for code in (0, 3):
        child = Child([sys.executable, "-c", f"raise SystemExit({code})"])
        assert child.wait(20) == code
        child.end()
    child = Child([sys.executable, "-c", "import os, signal; os.kill(os.getpid(), signal.SIGTERM)"])
    assert child.wait(20) == -signal.SIGTERM
    child.end()


def test_a_program_that_is_not_there_is_no_child() -> None:
    with pytest.raises(FileNotFoundError, match="no-such-program"):
        Child(["no-such-program"])


def test_what_a_program_leaves_running_is_part_of_it_or_not() -> None:
    """A program that went into the background runs on until the child is ended; a command that did is over."""
    background = ["sh", "-c", "sleep 600 & echo $!"]
    for with_all in (True, False):
        reading, writing = os.pipe()
        with os.fdopen(writing, "wb") as pipe:
            child = Child(background, stdout=pipe, with_all=with_all)
        with os.fdopen(reading, "rb") as said:
            process = int(said.readline())
        try:
            if with_all:
                with pytest.raises(subprocess.TimeoutExpired):
                    child.wait(0.3)
            else:
                assert child.wait(20) == 0
            child.end()
            end = time.monotonic() + ENDED_WITHIN_S
            while with_all and runs(process) and time.monotonic() < end:
                time.sleep(0.01)  # It was sent SIGKILL, and its new parent has to hear of its end.
            assert runs(process) is not with_all
        finally:
            if runs(process):
                os.kill(process, signal.SIGKILL)


def runs(process: int) -> bool:
    try:
        state = Path(f"/proc/{process}/stat").read_text(encoding="utf-8").rpartition(")")[2].split()[0]
    except FileNotFoundError:
        return False
    return state != "Z"
