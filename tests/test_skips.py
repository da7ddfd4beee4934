"""The rule of conftest.py for skips, tried on a test folder of its own."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

HERE = Path(__file__).parent

TESTS = """
from __future__ import annotations
import pytest

def test_passes() -> None:
    pass

@pytest.mark.skipif(WANTED, reason="tool-x is not installed (Debian: apt install tool-x)")
def test_needs_a_tool() -> None:
    pass
"""


def run_pytest(
    folder: Path, *arguments: str, skips: bool, forbidden: bool
) -> subprocess.CompletedProcess[str]:
    shutil.copy(HERE / "conftest.py", folder)
    (folder / "pytest.ini").write_text("[pytest]\n")
    (folder / "test_sample.py").write_text(TESTS.replace("WANTED", str(skips)))
    return subprocess.run(
        [sys.executable, "-m", "pytest", *arguments],
        cwd=folder,
        env=os.environ | {"YARDWIRE_NO_SKIP": "1" if forbidden else "0"},
        capture_output=True,
        text=True,
    )


@pytest.mark.parametrize("workers", [(), ("-n", "1")])
@pytest.mark.parametrize(
    ("skips", "forbidden", "code", "title"),
    [
        (True, True, 1, "FAILED: 1 skipped, and YARDWIRE_NO_SKIP=1 allows none"),
        (True, False, 0, "NOT TESTED: 1 skipped"),
        (False, True, 0, None),
    ],
)
def test_a_skip_is_told_and_fails_where_none_is_allowed(
    workers: tuple[str, ...], skips: bool, forbidden: bool, code: int, title: str | None, tmp_path: Path
) -> None:
    done = run_pytest(tmp_path, *workers, skips=skips, forbidden=forbidden)
    assert done.returncode == code, done.stdout + done.stderr
    *_, closing = done.stdout.splitlines()
    if title is None:
        assert "skipped" not in done.stdout
        assert "2 passed in" in closing
    else:
        assert f" {title} " in done.stdout
        assert "   1 x tool-x is not installed (Debian: apt install tool-x)\n" in done.stdout
        assert "1 passed, 1 skipped in" in closing


def test_a_module_that_skips_itself_counts(tmp_path: Path) -> None:
    (tmp_path / "test_other.py").write_text("import pytest\npytest.importorskip('no_such_module_at_all')\n")
    done = run_pytest(tmp_path, skips=False, forbidden=True)
    assert done.returncode == 1
    assert "FAILED: 1 skipped" in done.stdout
    assert "no_such_module_at_all" in done.stdout
