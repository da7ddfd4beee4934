"""The pytest plugin as a user runs it, in a process of its own, with every warning an error."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest
from junitparser import Error, Failure, JUnitXml, Skipped, TestCase

from conformance.suite.case import all_cases
from protocol.site_file import scenario_text

PATIENCE_S = 60
CRASHES, MOVES = "orders-unsupported", "claim-keeps-job"

OTHER_BODIES = '''
"""Cases that end in every way there is; all else is the kit's own."""
from dataclasses import replace
from conformance.suite.case import all_cases

def breaks(stand):
    stand.check(False, "ORD-03", "one thing", "another")

def unclear(stand):
    stand.need(False, "no box at hand")

def crashes(stand):
    raise ZeroDivisionError

def warns(stand):
    stand.check(True, "LNK-04", "a will", "a will")
    stand.check(False, "LNK-16", "an 'off'", "none")

for id_, body in {
    "orders-late": breaks, "orders-stale": unclear, "orders-unsupported": crashes, "link-will": warns
}.items():
    all_cases()[id_] = replace(all_cases()[id_], body=body)
'''


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "site.toml").write_text(scenario_text())
    (tmp_path / "pytest.ini").write_text("[pytest]\nxfail_strict = true\nfilterwarnings = error\n")
    return tmp_path


def run_pytest(folder: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    """Pytest in that folder, with nothing of this run of pytest around it."""
    environment = {key: value for key, value in os.environ.items() if not key.startswith(("PYTEST", "COV_"))}
    return subprocess.run(
        [sys.executable, "-m", "pytest", "--strict-markers", "--strict-config", "-rA", *arguments],
        cwd=folder,
        env=environment,
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=PATIENCE_S,
        check=False,
    )


JUDGED = ("--yardwire-node", "ferry", "--yardwire-site", "site.toml", "--yardwire-spawn")

SUPERVISED = ("--yardwire-node", "yard", "--yardwire-site", "site.toml")


def test_a_supervisor_is_judged_too(folder: Path) -> None:
    program = f"{sys.executable} -m conformance.commands.main node yard --site site.toml --yes"
    ended = run_pytest(
        folder, *SUPERVISED, "--yardwire-program", program + " --broker {broker} --brief {brief}",
        "-k", "supervisor-asks",
    )  # fmt: skip
    assert ended.returncode == 0, ended.stdout + ended.stderr
    assert "PASSED yardwire[yard]::supervisor-asks" in ended.stdout


def test_cases_are_items_beside_the_users_own_tests(folder: Path) -> None:
    (folder / "test_mine.py").write_text("def test_late_train():\n    pass\n")
    ended = run_pytest(folder, *JUDGED, "-k", "late")
    assert ended.returncode == 0, ended.stdout + ended.stderr
    assert "PASSED test_mine.py::test_late_train" in ended.stdout
    assert "PASSED yardwire[ferry]::orders-late" in ended.stdout
    assert "Let ferry connect to 127.0.0.1, port" in ended.stdout


def test_every_case_for_the_role_is_collected_once_and_nothing_runs(folder: Path) -> None:
    ended = run_pytest(folder, *JUDGED, "--collect-only", "-q")
    listed = [
        line.partition("::")[2] for line in ended.stdout.splitlines() if line.startswith("yardwire[ferry]")
    ]
    assert sorted(listed) == sorted(id_ for id_, case in all_cases().items() if "shuttle" in case.roles)
    assert "connect to" not in ended.stdout


def test_each_verdict_has_its_outcome_also_for_a_junit_parser(folder: Path) -> None:
    (folder / "conftest.py").write_text(OTHER_BODIES)
    chosen = ["orders-late", "orders-stale", "orders-ask", "link-will", CRASHES, MOVES]
    ended = run_pytest(
        folder, *JUDGED, "--yardwire-no-motion", "--junit-xml", "r.xml", "-k", " or ".join(chosen)
    )
    assert ended.returncode == 1, ended.stdout + ended.stderr
    assert "FAIL  orders-late" in ended.stdout
    assert "expected one thing" in ended.stdout
    assert "INCONCLUSIVE  orders-stale" in ended.stdout
    assert "no box at hand" in ended.stdout
    assert f"ERROR yardwire[ferry]::{CRASHES}" in ended.stdout
    assert "a SHOULD is broken" in ended.stdout
    outcome = {case.name: [type(one) for one in case.result] for case in cases_of(folder / "r.xml")}
    assert {id_: outcome[id_] for id_ in chosen} == {
        "orders-late": [Failure],
        "orders-stale": [Failure],
        "orders-ask": [],
        "link-will": [],
        CRASHES: [Error],
        MOVES: [Skipped],
    }


def cases_of(path: Path) -> list[TestCase]:
    return [case for suite in JUnitXml.fromfile(str(path)) for case in suite]


def test_it_costs_nothing_where_no_node_is_named(folder: Path) -> None:
    (folder / "test_mine.py").write_text(
        "import sys\n\n"
        "def test_imports():\n"
        "    ours = [name for name in sys.modules if name.startswith(('conformance', 'protocol', 'paho', 'amqtt'))]\n"
        "    assert sorted(ours) == ['conformance', 'conformance.pytest_plugin']\n"
    )
    ended = run_pytest(folder)
    assert ended.returncode == 0, ended.stdout + ended.stderr


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["--yardwire-node", "ferry"], "needs --yardwire-site"),
        (["--yardwire-node", "ferry", "--yardwire-site", "none.toml"], "none.toml"),
        (["--yardwire-node", "nobody", "--yardwire-site", "site.toml"], "names no node 'nobody'"),
        (["--yardwire-node", "yard", "--yardwire-site", "site.toml"], "--yardwire-program"),
        ([*JUDGED, "--yardwire-program", "x"], "starts a supervisor"),
        ([*SUPERVISED, "--yardwire-spawn", "--yardwire-reset-command", "y"], "takes no --yardwire-reset"),
        ([*SUPERVISED, "--yardwire-spawn", "--yardwire-broker", "mqtt://127.0.0.1:1"], "plays every other"),
        (["--yardwire-node", "ferry", "--yardwire-site", "site.toml"], "nobody is asked here"),
        ([*JUDGED, "--yardwire-slow", "0.5"], "1 or more"),
        ([*JUDGED, "--yardwire-bind", "here"], "ADDRESS:PORT"),
        ([*JUDGED, "--yardwire-reset-command", ""], "reset command is empty"),
        ([*JUDGED, "-n", "2"], "Leave out -n"),
    ],
)
def test_what_cannot_be_run_is_told_in_one_message(arguments: list[str], told: str, folder: Path) -> None:
    ended = run_pytest(folder, *arguments)
    assert ended.returncode == pytest.ExitCode.USAGE_ERROR
    assert told in ended.stderr
    assert "Traceback" not in ended.stderr


def test_a_broker_that_is_not_there_is_an_error_of_each_case_and_told_without_frames(folder: Path) -> None:
    ended = run_pytest(
        folder, *JUDGED, "--yardwire-may-move", "--yardwire-broker", "mqtt://127.0.0.1:1",
        "-k", "orders-ask or link-will",
    )  # fmt: skip
    assert ended.returncode == pytest.ExitCode.TESTS_FAILED
    assert "2 errors" in ended.stdout
    assert "bench/" not in ended.stdout


def test_a_session_in_which_no_case_was_judged_has_not_passed(folder: Path) -> None:
    ended = run_pytest(folder, *JUDGED, "--yardwire-no-motion", "-k", MOVES)
    assert ended.returncode == pytest.ExitCode.TESTS_FAILED, ended.stdout + ended.stderr
    assert "no case was judged of ferry: nothing is shown" in ended.stdout


def test_a_board_that_never_connects_is_an_error_and_no_failure(folder: Path) -> None:
    (folder / "conftest.py").write_text("import conformance.bench.tap.arrival as a\na.WAIT_S = 2\n")
    judged = [one for one in JUDGED if one != "--yardwire-spawn"]
    ended = run_pytest(folder, *judged, "--yardwire-no-motion", "-k", "orders-ask or link-says-on")
    assert ended.returncode == pytest.ExitCode.TESTS_FAILED
    assert "2 errors" in ended.stdout
    assert "nothing connected within 2 s" in ended.stdout
    assert "FAIL  link-says-on" not in ended.stdout
