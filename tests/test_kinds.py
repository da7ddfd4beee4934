"""What is marked `wire`, and that a test which starts something unmarked fails; tried on a test folder of its own."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

HERE = Path(__file__).parent

TESTS = """
from __future__ import annotations
import contextlib, importlib, sys
import pytest
from conformance.bench.brokers.broker import start_broker
from conformance.commands import main

def deeper():
    with start_broker("embedded"):
        pass

@pytest.fixture
def broker():
    deeper()

def hidden(module):
    return importlib.import_module(module)

def test_marked_by_what_it_calls() -> None:
    deeper()

def test_marked_by_its_fixture(broker) -> None:
    pass

@pytest.mark.wire
def test_marked_by_hand() -> None:
    hidden("subprocess").run([sys.executable, "--version"])

def test_alone() -> None:
    pass

def test_starts_a_broker() -> None:
    with getattr(hidden("conformance.bench.brokers.broker"), "start_" + "broker")(CHOICE):
        pass

def test_starts_a_process() -> None:
    hidden("subprocess").run([sys.executable, "--version"])

def test_connects() -> None:
    with contextlib.suppress(OSError):
        hidden("socket").create_connection(("127.0.0.1", 1))

def test_hides_it_in_the_kit() -> None:
    assert main.run(["validate", "--broker", "mqtt://127.0.0.1:1"]) == 2
"""
QUICK = ("-m", "not wire and not browser and not faulty and not slow and not long and not exhaustive")


def run_pytest(folder: Path, *arguments: str) -> str:
    """What pytest says of these tests, as a part of ours: the marks look at functions of the package `tests`."""
    tests = folder / "tests"
    tests.mkdir()
    for name in ("conftest.py", "kinds.py", "needs.py", "examples.py", "dealing.py", "long_files.toml"):
        shutil.copy(HERE / name, tests)
    choice = (
        "mosquitto" if shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin:/usr/bin") else "embedded"
    )
    (tests / "test_sample.py").write_text(TESTS.replace("CHOICE", repr(choice)))
    shutil.copy(HERE.parent / "pyproject.toml", folder)
    words = (sys.executable, "-m", "pytest", "-p", "no:cacheprovider", *arguments, "tests")
    done = subprocess.run(words, cwd=folder, capture_output=True, text=True)
    return done.stdout + done.stderr


def test_what_is_not_quick(tmp_path: Path) -> None:
    said = run_pytest(tmp_path, *QUICK, "--collect-only", "-q")
    assert re.findall(r"::(\w+)", said) == [
        "test_alone", "test_starts_a_broker", "test_starts_a_process", "test_connects", "test_hides_it_in_the_kit",
    ]  # fmt: skip


@pytest.mark.parametrize("workers", [(), ("-n", "1", "--dist", "loadfile")], ids=["alone", "a worker"])
def test_what_starts_something_all_the_same_fails(tmp_path: Path, workers: tuple[str, ...]) -> None:
    said = run_pytest(tmp_path, *QUICK, *workers)
    for name in (
        "test_starts_a_broker",
        "test_starts_a_process",
        "test_connects",
        "test_hides_it_in_the_kit",
    ):
        body = said.partition(f"ERROR at teardown of {name} ")[2].partition("____")[2]
        assert re.search(r"^not marked 'wire', and it started: (subprocess|socket)", body, re.MULTILINE), said
    assert "5 passed" in said, said
    assert "4 errors" in said, said


def test_a_marked_one_may(tmp_path: Path) -> None:
    said = run_pytest(tmp_path, "-m", "wire")
    assert "3 passed" in said, said
