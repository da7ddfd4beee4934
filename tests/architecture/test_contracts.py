"""Every import contract of pyproject.toml holds, and each one refuses an import that is planted against it."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from tests.architecture.purity import ROOT

PLANTED = {
    "protocol <- reference_node <- conformance.commands": ("protocol/sizes.py", "reference_node.envelope"),
    "protocol <- conformance": ("protocol/counting.py", "conformance.suite.verdict"),
    "the reference node knows nothing of its tester": (
        "reference_node/envelope.py",
        "conformance.suite.verdict",
    ),
    "reference_node is known to the commands alone": (
        "conformance/tester/runner.py",
        "reference_node.envelope",
    ),
    "the commands are known to nobody": ("conformance/pytest_plugin/cases.py", "conformance.commands.lazy"),
    "the parts of conformance": ("conformance/suite/verdict.py", "conformance.tester.reset"),
    "the page: its model knows no server": ("conformance/page/model/log.py", "conformance.page.server.desk"),
    "the fuzzer: what is sent knows nothing of the run": (
        "conformance/fuzz/generate/values.py",
        "conformance.fuzz.run.shrink",
    ),
    "measuring: the tasks stand on the fits, and a budget knows no sensor": (
        "conformance/measure/fit/curve.py",
        "conformance.measure.budget.landing",
    ),
    "recordings: each use of one stands by itself": (
        "conformance/recordings/diff/matching.py",
        "conformance.recordings.replay.restamp",
    ),
    "the bench: the tap knows no broker, and both know no bench": (
        "conformance/bench/tap/rules.py",
        "conformance.bench.brokers.broker",
    ),
    "the parts of reference_node": ("reference_node/mechanism/glide.py", "reference_node.controller.job"),
    "the supervisor as a line": (
        "reference_node/supervisor/plan/goal_state.py",
        "reference_node.supervisor.check.rules",
    ),
    "planner, rules and questions read the picture of the yard": (
        "reference_node/supervisor/check/rules.py",
        "reference_node.supervisor.observe.session",
    ),
    "the protocol's core knows no link": ("protocol/topics.py", "protocol.wire.packet"),
    "what judges knows no link": ("conformance/oracle/timing.py", "protocol.wire.mqtt"),
    "the pure parts have no sockets, clock, threads, processes or environment": (
        "conformance/peers/disturbances.py",
        "time",
    ),
}
"""A contract by its name, and an import against it: the file, and the module that it must not know."""
LINT = [sys.executable, "-c", "from importlinter.cli import lint_imports_command; lint_imports_command()"]


def contracts() -> list[str]:
    """Their names, as pyproject.toml has them."""
    tool = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]
    return [contract["name"] for contract in tool["importlinter"]["contracts"]]


def lint(folder: Path) -> dict[str, bool]:
    """Whether each contract is kept in the packages below `folder`."""
    done = subprocess.run(LINT, cwd=folder, capture_output=True, text=True, timeout=120, check=False)
    found = re.findall(r"^(.+) (KEPT|BROKEN)\b", done.stdout, re.MULTILINE)
    assert found, done.stdout + done.stderr
    return {name: word == "KEPT" for name, word in found}


@pytest.fixture
def checkout(tmp_path: Path) -> Path:
    """A copy of the packages and their contracts, to plant imports in."""
    for package in ("protocol", "reference_node", "conformance"):
        shutil.copytree(ROOT / package, tmp_path / package, ignore=shutil.ignore_patterns("__pycache__"))
    shutil.copy(ROOT / "pyproject.toml", tmp_path)
    return tmp_path


def test_every_contract_holds_and_refuses_what_is_planted(checkout: Path) -> None:
    assert lint(checkout) == dict.fromkeys(contracts(), True)
    for path, module in PLANTED.values():
        file = checkout / path
        # Inside a function, where an import is made only when it is called.
        planted = f"\n\ndef planted() -> None:\n    import {module}\n"
        file.write_text(file.read_text(encoding="utf-8") + planted, encoding="utf-8")
    assert lint(checkout) == dict.fromkeys(contracts(), False)


def test_each_contract_has_an_import_planted_against_it() -> None:
    assert list(PLANTED) == contracts()
