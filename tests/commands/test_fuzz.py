"""`yardwire fuzz` as a user runs it: a try-out, wrong arguments, Ctrl-C, going on later."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from conformance.bench.brokers.broker import start_broker
from conformance.fuzz.run.report import FORMAT, render
from protocol.site_file import scenario_text
from tests.commands.yardwire import YARDWIRE

PATIENCE_S = 90


@pytest.fixture
def site(tmp_path: Path) -> Path:
    path = tmp_path / "site.toml"
    path.write_text(scenario_text())
    return path


def command(*arguments: str | Path) -> list[str]:
    return [sys.executable, "-c", YARDWIRE, "fuzz", *map(str, arguments)]


def fuzz(*arguments: str | Path, cwd: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        command(*arguments), stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=PATIENCE_S,
        check=False, cwd=cwd,
    )  # fmt: skip


def test_a_try_out_finds_nothing_and_can_be_gone_on_with(site: Path, tmp_path: Path) -> None:
    wishes = (
        "--site",
        site,
        "--spawn",
        "--choice",
        "embedded",
        "--only",
        "payloads",
        "--rate",
        "0",
        "--cases",
        "100",
    )
    ended = fuzz("ferry", *wishes, "--seed", "7", "--json", "r.json", cwd=tmp_path)
    assert ended.returncode == 0, ended.stdout + ended.stderr
    assert "nothing found" in ended.stdout
    assert max(map(len, ended.stdout.splitlines())) <= 80
    report = json.loads((tmp_path / "r.json").read_text())
    assert (report["format"], report["seed"], report["complete"]) == (FORMAT, 7, True)
    assert report["cases"] >= 100
    assert sorted(path.name for path in tmp_path.iterdir()) == ["fuzz-corpus", "r.json", "site.toml"]
    more = fuzz("ferry", *wishes, "--resume", cwd=tmp_path)
    assert more.returncode == 0, more.stdout + more.stderr
    assert "seed 7" in more.stdout


def test_no_motion_needs_nobody_to_ask(site: Path, tmp_path: Path) -> None:
    ended = fuzz("north", "--site", site, "--spawn", "--choice", "embedded", "--no-motion", "--cases", "20",
                 "--only", "payloads", cwd=tmp_path)  # fmt: skip
    assert ended.returncode == 0, ended.stdout + ended.stderr
    assert "no motion" in ended.stdout


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["siding", "--site", "SITE"], "there is no terminal to ask on"),
        (["nobody", "--site", "SITE", "--yes"], "there is no node 'nobody'"),
        (["yard", "--site", "SITE", "--yes"], "takes no orders"),
        (["siding", "--site", "none.toml", "--yes"], "none.toml"),
        (["siding", "--site", "SITE", "--yes", "--resume"], "no run of this node was stopped here"),
        (["siding", "--site", "SITE", "--yes", "--json", "no/folder/r.json"], "no such folder"),
        (["siding", "--site", "SITE", "--yes", "--broker", "mqtt://127.0.0.1:1"], "127.0.0.1"),
        (["siding", "--site", "SITE", "--yes", "--reset-command", "'"], "reset command"),
        (["siding", "--site", "SITE", "--yes", "--only", "colours"], "--only"),
    ],
)
def test_what_cannot_be_run_is_told_in_one_message(
    arguments: list[str], told: str, site: Path, tmp_path: Path
) -> None:
    ended = fuzz(*(str(site) if one == "SITE" else one for one in arguments), cwd=tmp_path)
    assert ended.returncode == 2
    assert told in ended.stderr
    assert "Traceback" not in ended.stderr


def test_a_file_that_is_no_case_is_told(site: Path, tmp_path: Path) -> None:
    (tmp_path / "fuzz-corpus").mkdir()
    (tmp_path / "fuzz-corpus" / "siding-x.ywrec").write_bytes(b"nothing of the kind")
    ended = fuzz("siding", "--site", site, "--spawn", "--cases", "1", cwd=tmp_path)
    assert ended.returncode == 2
    assert "siding-x.ywrec" in ended.stderr


def test_ctrl_c_ends_it_with_what_was_found_and_where_to_go_on(site: Path, tmp_path: Path) -> None:
    wishes = ("--site", site, "--spawn", "--choice", "embedded", "--only", "payloads", "--minutes", "30")
    with subprocess.Popen(
        command("siding", *wishes, "--json", tmp_path / "r.json"), stdin=subprocess.DEVNULL, stdout=subprocess.PIPE,
        stderr=subprocess.PIPE, text=True, cwd=tmp_path, start_new_session=True,
    ) as kit:  # fmt: skip
        assert kit.stderr is not None
        assert "Let siding connect to" in kit.stderr.readline()
        assert "first batch" in kit.stderr.readline()
        kit.send_signal(signal.SIGINT)
        out, err = kit.communicate(timeout=PATIENCE_S)
    assert kit.returncode == 130, err
    assert "stopped before its end" in out
    assert json.loads((tmp_path / "r.json").read_text())["complete"] is False
    assert json.loads((tmp_path / "fuzz-corpus" / "siding.next.json").read_text())["seed"] == 1


def test_a_report_tells_each_finding_in_eighty_columns() -> None:
    row = {
        "requirement": "ORD-03", "requires": "A node answers " + "and " * 40, "seen": "the node does not answer",
        "oracle": "an answer", "case": "transfer with a text length that lies, then " * 6, "flaw": "", "steps": 1,
        "messages": 3, "shows_again": True, "times": 4, "cases": 1200, "seconds": 75.0, "file": "c/n-ORD-03-1.ywrec",
    }  # fmt: skip
    report = {
        "node": "north", "cases": 4000, "seconds": 600.0, "seed": 1, "motion": False, "complete": True, "ended": "",
        "findings": [row, row | {"shows_again": False}], "fixed": ["c/old.ywrec"], "notes": [],
    }  # fmt: skip
    text = render(report)
    assert max(map(len, text.splitlines())) <= 80
    for told in (
        "2 findings",
        "1. ORD-03: the node does not answer (4 times)",
        "n-ORD-03-1.ywrec",
        "old.ywrec",
    ):
        assert told in text


def test_a_spawned_node_on_somebody_elses_broker_needs_a_yes(site: Path, tmp_path: Path) -> None:
    """A real node of that name may be there, and would obey."""
    with start_broker("embedded") as broker:
        ended = fuzz("ferry", "--site", site, "--spawn", "--broker", broker.url, "--cases", "1", cwd=tmp_path)
    assert ended.returncode == 2
    assert "there is no terminal to ask on" in ended.stderr
    assert "CAUTION" in ended.stderr


@pytest.mark.parametrize(
    ("cases", "complete", "ended", "told"),
    [
        (0, True, "", "nothing was tried, so nothing is shown"),
        (9, False, "", "nothing found before it ended, which shows little"),
        (9, True, "the node is away", "nothing found before it ended, which shows little"),
        (9, True, "", "nothing found"),
    ],
)
def test_nothing_found_is_said_of_a_whole_run_only(cases: int, complete: bool, ended: str, told: str) -> None:
    report = {
        "node": "north", "cases": cases, "seconds": 1.0, "seed": 1, "motion": False, "complete": complete,
        "ended": ended, "findings": [], "fixed": [], "notes": [],
    }  # fmt: skip
    assert told in render(report).splitlines()


def test_a_board_that_never_connects_is_no_finding(site: Path, tmp_path: Path) -> None:
    short = "import conformance.bench.tap.arrival as a; a.WAIT_S = 3; a.SAID_EVERY_S = 1; "
    ended = subprocess.run(
        [sys.executable, "-c", short + YARDWIRE, "fuzz", "ferry", "--site", str(site), "--no-motion", "--choice",
         "embedded"],
        stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=PATIENCE_S, check=False, cwd=tmp_path,
    )  # fmt: skip
    assert ended.returncode == 2, ended.stdout + ended.stderr
    assert "nothing connected within 3 s" in ended.stderr
    assert "1 of 3 s" in ended.stderr
