"""Every command that takes --json is run: it prints one document, whose head has one shape, and its schema holds."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import sys
from importlib import resources
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from conformance.bench.brokers.broker import start_broker
from conformance.commands import main
from conformance.commands.options import json_output
from protocol.site_file import scenario_text
from tests.commands.leaves import leaves

ROOT = Path(__file__).parents[2]
EXAMPLES = ROOT / "examples"
SCHEMA = json.loads(
    resources.files("conformance.commands.options").joinpath("report.schema.json").read_text("utf-8")
)
GOOD, OTHER = "recordings/good-1.ywrec", "recordings/missed-pick.ywrec"

RUNS: dict[str, tuple[int, list[str]]] = {
    "site check": (0, ["site", "check"]),
    "site check, with mistakes": (1, ["site", "check", "wrong.toml"]),
    "site digest": (0, ["site", "digest"]),
    "explain": (0, ["explain", "ORD-06", "HLD"]),
    "validate": (1, ["validate", "--message", "job-order", "--hex", "a1 02 00"]),
    "validate, a recording": (1, ["validate", "recordings/bad-message.ywrec"]),
    "show": (0, ["show", GOOD, "--limit", "20"]),
    "show, figures": (0, ["show", GOOD, "--stats"]),
    "diff": (1, ["diff", GOOD, OTHER]),
    "diff, a folder": (1, ["diff", "recordings"]),
    "runs list": (0, ["runs", "list", "recordings"]),
    "runs summary": (0, ["runs", "summary", "store"]),
    "trend": (2, ["trend", "nowhere"]),
    "measure table": (0, ["measure", "table", "pairs.csv"]),
    "measure budget": (1, ["measure", "budget", "pairs.csv", "--catches", "0.5"]),
    "measure verify": (1, ["measure", "verify", "pairs.csv", "pairs.csv"]),
    "measure sensor": (0, ["measure", "sensor", "trains.toml"]),
    "runs mark": (0, ["runs", "mark", "recordings/good-1.ywrec#1", "--good", "--set", "temperature=21.5"]),
    "runs thin": (0, ["runs", "thin", "recordings", "--keep", "1G"]),
    "runs thin, too much that matters": (1, ["runs", "thin", "recordings", "--keep", "1"]),
    "runs merge": (0, ["runs", "merge", GOOD, "recordings/good-2.ywrec", "--out", "both.ywrec"]),
    "runs export": (0, ["runs", "export", "store", GOOD]),
    "publish": (0, ["publish", "pages"]),
    "supervise": (0, ["supervise", "01-one-crane"]),
    "link": (0, ["link", "--list"]),
}
ON_A_BROKER: dict[str, tuple[int, list[str]]] = {
    "record": (0, ["record", "new.ywrec", "--site", "harlow-basin", "--seconds", "0.2"]),
    "replay": (0, ["replay", GOOD, "--node", "siding", "--fast", "--yes"]),
}
ON_THE_BENCH: dict[str, tuple[int, list[str]]] = {
    "conform": (0, ["conform", "ferry", "--spawn", "--choice", "embedded", "--only", "messages-heartbeat"]),
    "fuzz": (0, ["fuzz", "ferry", "--spawn", "--choice", "embedded", "--cases", "3", "--only", "sequences"]),
}
ELSEWHERE = {"demo": "tests/commands/test_demo.py"}
"""Where a command is run anyway."""
REPORTS_NOTHING = {
    "broker": "runs until it is stopped",
    "measure collect": "a talk with a person; its pairs are a file",
    "measure pairs": "prints pairs as CSV, for programs already",
    "node": "runs until it is stopped",
    "site new": "writes one file, of the name that was given",
    "site part": "prints a site file, for programs already",
    "watch": "runs until it is stopped",
}


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "site.toml").write_text(scenario_text())
    (tmp_path / "wrong.toml").write_text(scenario_text().replace("travel", "travle", 1))
    shutil.copytree(EXAMPLES / "recordings", tmp_path / "recordings")
    for name in ("pairs.csv", "trains.toml"):
        shutil.copy(EXAMPLES / "measure" / name, tmp_path)
    return tmp_path


def checked(text: str, code: int, name: str) -> dict[str, Any]:
    """The one document that was printed."""
    told: dict[str, Any] = json.loads(text)
    jsonschema.Draft202012Validator(SCHEMA).validate(told)
    assert (told["exit"], told["command"]) == (code, name.partition(",")[0])
    assert told["verdict"] in (None, {0: "pass", 1: "fail", 2: "error"}[code])
    assert not told["findings"] or code, "what is found is a reason not to end with 0"
    return told


def those_that_take(option: str) -> set[str]:
    return {
        name
        for name, command in leaves(main.cli).items()
        if any(option in one.opts for one in command.params)
    }


def test_each_command_that_takes_it_is_run_here() -> None:
    run = {name.partition(",")[0] for name in RUNS | ON_A_BROKER | ON_THE_BENCH} | set(ELSEWHERE)
    assert run == those_that_take("--json")


def test_each_command_that_reports_takes_it() -> None:
    assert set(leaves(main.cli)) - those_that_take("--json") == set(REPORTS_NOTHING)


def test_each_command_takes_quiet() -> None:
    assert set(leaves(main.cli)) - those_that_take("--quiet") == set()


@pytest.mark.parametrize("name", RUNS)
def test_of_files(name: str, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, words = RUNS[name]
    if name == "runs summary":
        assert main.run(["runs", "export", "store", "recordings"]) == 0
    capsys.readouterr()
    assert main.run([*words, "--json"]) == code
    told = checked(capsys.readouterr().out, code, name)
    if code == 1:
        assert told["verdict"] == "fail"
        assert told["findings"], "a program learns why"


@pytest.mark.wire
@pytest.mark.parametrize("name", ON_A_BROKER)
def test_of_a_bus(name: str, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, words = ON_A_BROKER[name]
    with start_broker("embedded") as broker:
        assert main.run([*words, "--broker", broker.url, "--json"]) == code
    checked(capsys.readouterr().out, code, name)


@pytest.mark.wire
@pytest.mark.parametrize("name", ON_THE_BENCH)
def test_of_a_node(name: str, folder: Path) -> None:
    """`-` is standard output, and what people read goes to standard error."""
    code, words = ON_THE_BENCH[name]
    command = [
        sys.executable,
        "-m",
        "conformance.commands.main",
        *words,
        "--site",
        "site.toml",
        "--json",
        "-",
    ]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120, cwd=folder)
    assert done.returncode == code, done.stderr
    told = checked(done.stdout, code, name)
    assert told["verdict"] == "pass"
    assert "ferry" in done.stderr


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["show", "nowhere.ywrec", "--json"], "nowhere.ywrec"),
        (["validate", "--json"], "name a file"),
        (["measure", "table", "nowhere.csv", "--json"], "cannot be read"),
        (["link", "--json"], "no port is named"),
    ],
)
def test_what_cannot_run_says_so_in_the_same_shape(
    words: list[str], told: str, folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main.run(words) == 2
    said = capsys.readouterr()
    document = json.loads(said.out)
    jsonschema.validate(document, SCHEMA)
    assert (document["exit"], document["verdict"]) == (2, "error")
    assert told in json.dumps(document["findings"])
    assert said.err.startswith(("Error:", "Usage:"))


def test_nothing_is_printed_twice(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A recording that breaks off is judged as far as it goes, and then it is an error."""
    assert main.run(["validate", "recordings/cut-off.ywrec", "--json"]) in (1, 2)
    json.loads(capsys.readouterr().out)


def test_no_field_takes_the_place_of_the_head() -> None:
    with pytest.raises(ValueError, match="verdict"):
        json_output.document({"verdict": "x"}, exit_code=0, command="x")


def test_the_page_of_the_command_line_has_the_schema() -> None:
    text = (ROOT / "docs" / "command-line.md").read_text(encoding="utf-8")
    found = re.search(r"```text\n(\{\n  \"\$schema\".*?)```", text, re.DOTALL)
    assert found is not None
    assert json.loads(found[1]) == SCHEMA
