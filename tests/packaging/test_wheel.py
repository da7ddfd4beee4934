"""What is installed from a wheel does, in an empty folder, what a checkout does."""

from __future__ import annotations

import os
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

from conformance.commands.main import COMMANDS

ROOT = Path(__file__).parents[2]
SEVERAL_PACKAGES = "W009"
"""Of check-wheel-contents: more than one package at the top, which is meant."""


def run(*arguments: str, cwd: Path = ROOT, **environment: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, *arguments],
        cwd=cwd,
        env=os.environ | environment,
        capture_output=True,
        text=True,
        timeout=300,
    )


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with wheel and sdist."""
    out = tmp_path_factory.mktemp("built")
    done = run("-m", "hatchling", "build", "-d", str(out))
    assert done.returncode == 0, done.stderr
    return out


@pytest.fixture(scope="module")
def installed(built: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The wheel laid out as pip does; what it depends on is that of the environment of these tests."""
    (wheel,) = built.glob("*.whl")
    out = tmp_path_factory.mktemp("installed")
    with zipfile.ZipFile(wheel) as packed:
        packed.extractall(out)
    return out


def yardwire(installed: Path, folder: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    return run("-m", "conformance.commands.entry", *arguments, cwd=folder, PYTHONPATH=str(installed))


def test_both_are_as_an_index_wants_them(built: Path) -> None:
    files = [str(path) for path in built.iterdir()]
    assert len(files) == 2
    checked = run("-m", "twine", "check", "--strict", *files)
    assert checked.returncode == 0, checked.stdout
    (wheel,) = built.glob("*.whl")
    looked = run("-m", "check_wheel_contents", "--ignore", SEVERAL_PACKAGES, str(wheel))
    assert looked.returncode == 0, looked.stdout


def test_it_is_the_wheel_that_runs(installed: Path, tmp_path: Path) -> None:
    found = run(
        "-c", "import conformance; print(conformance.__file__)", cwd=tmp_path, PYTHONPATH=str(installed)
    )
    assert found.stdout.startswith(str(installed))


def test_every_command_says_what_it_does(installed: Path, tmp_path: Path) -> None:
    asked = (
        "import sys; from conformance.commands.main import run; "
        "sys.exit(any(run([name, '--help']) for name in sys.argv[1:]))"
    )
    done = run("-c", asked, *COMMANDS, cwd=tmp_path, PYTHONPATH=str(installed))
    assert done.returncode == 0, done.stderr
    assert done.stdout.count("Usage:") == len(COMMANDS)


def test_publish_writes_the_bytes_that_it_writes_from_a_checkout(installed: Path, tmp_path: Path) -> None:
    done = yardwire(installed, tmp_path, "publish", "of-the-wheel")
    assert done.returncode == 0, done.stderr
    done = run("-m", "conformance.commands.entry", "publish", str(tmp_path / "of-the-checkout"))
    assert done.returncode == 0, done.stderr
    one, other = tmp_path / "of-the-wheel", tmp_path / "of-the-checkout"
    paths = {path.relative_to(one) for path in one.rglob("*") if path.is_file()}
    assert paths == {path.relative_to(other) for path in other.rglob("*") if path.is_file()}
    assert [str(path) for path in paths if (one / path).read_bytes() != (other / path).read_bytes()] == []


def test_the_main_jobs_run(installed: Path, tmp_path: Path) -> None:
    """Those that need no bus that is there: a site, a scenario, a supervised yard, an id, a conformance run."""
    for arguments in (
        ("site", "new"),
        ("site", "check"),
        ("explain", "ORD-06"),
        ("supervise", "01-one-crane"),
        ("validate", "--message", "job-order", "--hex", "a20007010a"),
        ("conform", "ferry", "--site", "site.toml", "--spawn", "--no-motion", "--only", "orders-ask"),
    ):
        done = yardwire(installed, tmp_path, *arguments)
        assert done.returncode in ((0, 1) if arguments[0] == "validate" else (0,)), (arguments, done.stderr)
        assert "internal error" not in done.stderr
        assert "Traceback" not in done.stderr
