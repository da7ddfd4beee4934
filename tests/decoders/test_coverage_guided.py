"""A short run of the coverage-guided fuzzer; by itself it goes on for as long as one likes."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

RUNS = 8_000


@pytest.mark.skipif(
    sys.platform != "linux" or sys.version_info >= (3, 14), reason="NOT TESTED: there is no atheris for this"
)
def test_a_short_run_finds_nothing(tmp_path: Path) -> None:
    command = [sys.executable, "-m", "tests.decoders.coverage_guided", f"-runs={RUNS}", "-seed=1"]
    command.append(f"-artifact_prefix={tmp_path}/")
    # A process begins with the peak memory of the one that it was forked from, and a worker of pytest is large.
    command = ["sh", "-c", '"$@"; exit $?', "sh", *command]
    ended = subprocess.run(command, capture_output=True, text=True, timeout=300, check=False)
    assert ended.returncode == 0, ended.stderr[-2000:]
    assert f"Done {RUNS} runs" in ended.stderr, ended.stderr[-2000:]
