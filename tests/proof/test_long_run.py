"""The long run goes on where it was stopped."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from tests.proof import long_run
from tests.proof.yard.budget import DISTURBANCES


@pytest.mark.wire
@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGTERM])
def test_a_run_that_is_stopped_keeps_what_has_ended_and_leaves_nothing_behind(
    tmp_path: Path, how: signal.Signals
) -> None:
    command = [sys.executable, "-m", "tests.proof", "--long", "--processes", "1", "--most", "20"]
    run = subprocess.Popen(
        [*command, "--folder", str(tmp_path)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    kept = tmp_path / "long.jsonl"
    while not long_run.read(kept) and run.poll() is None:
        time.sleep(0.05)
    os.killpg(run.pid, how) if how == signal.SIGINT else run.send_signal(how)
    told, wrong = run.communicate(timeout=60)
    assert (run.returncode, wrong) == (130, "")
    assert f"stopped; what has ended is kept in {kept}" in told
    lines = kept.read_text(encoding="utf-8").splitlines()
    assert len(lines) == len(long_run.read(kept)) == told.count("NOT COMPLETE") >= 1
    with pytest.raises(ProcessLookupError):
        os.killpg(run.pid, 0)


def test_those_that_are_small_come_first_and_every_one_once() -> None:
    names = [one.name for one in long_run.budgets()]
    assert len(names) == len(set(names))
    pairs = len(DISTURBANCES) * (len(DISTURBANCES) - 1) // 2
    assert all(" + " in name and name.endswith(", calm") for name in names[:pairs])
    small, large = (
        names.index(f"crane: {two}, calm") for two in ("give-up + stale answer", "reset + second")
    )
    assert small < large
