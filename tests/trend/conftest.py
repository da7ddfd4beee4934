"""One run of harlow-basin, simulated once."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest

from conformance.commands.main import run as run_command
from examples.yard_on_virtual_time import run
from reference_node.supervisor.plan.goals import Admit, Depart


@pytest.fixture(scope="session")
def one_run(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("trend") / "one.ywrec"
    run(path, 20_261_128)
    return path


@pytest.fixture(scope="session")
def short_run(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A train comes and goes; no crane moves."""
    path = tmp_path_factory.mktemp("trend") / "short.ywrec"
    run(path, 20_261_128, goals=(Admit("siding", "T-7", ("", "", "")), Depart("siding")))
    return path


@dataclass(frozen=True)
class Done:
    """How a command line ended."""

    returncode: int
    stdout: str
    stderr: str


Yardwire = Callable[..., Done]


@pytest.fixture
def yardwire(capsys: pytest.CaptureFixture[str]) -> Yardwire:
    """The command line, in this process."""

    def ran(*words: str) -> Done:
        capsys.readouterr()
        code = run_command(words)
        return Done(code, *capsys.readouterr())

    return ran
