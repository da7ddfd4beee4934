"""Files of tests that take long are dealt first, and the list of them is kept true."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from pathlib import Path

from tests.dealing import listed, longest_first, not_as_listed

ROOT = Path(__file__).parents[1]
SECONDS = {"tests/wire.py": 100.0, "tests/wait.py": 40.0}


def test_the_longest_come_first_and_then_those_with_the_most_tests() -> None:
    files = ["tests/a.py", "tests/b.py", "tests/b.py", "tests/wait.py", "tests/wire.py", "tests/b.py"]
    assert longest_first(files, SECONDS) == ["tests/wire.py", "tests/wait.py", "tests/b.py", "tests/a.py"]


def test_every_listed_file_is_there() -> None:
    seconds = listed()
    assert len(seconds) > 10
    assert [name for name in seconds if not (ROOT / name).is_file()] == []


def test_what_is_missing_or_far_from_what_is_listed_is_told() -> None:
    took = {"tests/wire.py": 230.0, "tests/wait.py": 21.0, "tests/new.py": 25.0, "tests/short.py": 3.0}
    assert not_as_listed(took, SECONDS) == [
        '"tests/new.py" = 25  # not listed',
        '"tests/wire.py" = 230  # listed with 100',
    ]


def test_a_worker_gets_them_in_this_order(tmp_path: Path) -> None:
    long = next(iter(listed()))
    many = "from __future__ import annotations\n" + "".join(f"def test_{n}(): pass\n" for n in range(3))
    for name, text in (("tests/a_test.py", many), (long, "def test_long(): pass\n")):
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_text(text)
    shutil.copy(ROOT / "tests" / "conftest.py", tmp_path)
    (tmp_path / "pytest.ini").write_text("[pytest]\npython_files = *test*.py\n")
    options = ["-v", "-p", "no:cacheprovider", "-n", "1", "--dist", "loadfile", "--no-loadscope-reorder"]
    words = (sys.executable, "-m", "pytest", *options, "tests")
    done = subprocess.run(words, cwd=tmp_path, capture_output=True, text=True)
    order = re.findall(r"PASSED (\S+)::", done.stdout)
    assert order == [long, *["tests/a_test.py"] * 3], done.stdout + done.stderr
    makefile = (ROOT / "Makefile").read_text()
    assert "--dist loadfile --no-loadscope-reorder" in makefile, "else xdist has an order of its own"
