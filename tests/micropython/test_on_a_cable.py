"""The node in MicroPython at the end of a serial line, judged by `conform --serial` as it is typed."""

from __future__ import annotations

import json
import subprocess
from pathlib import Path

import pytest

from tests.faulty_lines.faulty_line import site_on_lines
from tests.firmware.cycled_board import running
from tests.micropython.board import Board
from tests.micropython.interpreter import needs_micropython
from tests.needs import needs
from tests.serial.cable import Cable
from tests.serial.conftest import site as site_file
from tests.serial.test_link import YARDWIRE

pytestmark = [needs_micropython, needs("mosquitto"), pytest.mark.slow]
CASES = (
    "serial-says-here", "serial-frames", "serial-garbage", "serial-bus-goes", "serial-orders-without-the-bus",
    "serial-status-again", "link-will", "orders-answer-time",
)  # fmt: skip
site = site_file


def judged(site: Path, report: Path, cable: Cable, chosen: tuple[str, ...]) -> dict[str, str]:
    """What `conform` has to say of the berth, by case."""
    words = ["conform", "siding", "--site", str(site), "--serial", cable.host, "--yes", "--slow", "4"]
    words += ["--json", str(report), *(word for case in chosen for word in ("--only", case))]
    done = subprocess.run([*YARDWIRE, *words], capture_output=True, text=True, timeout=1500, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    return {row["id"]: row["verdict"] for row in json.loads(report.read_text())["cases"]}


@pytest.mark.parametrize(
    "chosen", [CASES, pytest.param((), marks=pytest.mark.exhaustive)], ids=["sample", "whole"]
)
def test_a_berth_on_a_cable_passes(chosen: tuple[str, ...], site: Path, tmp_path: Path) -> None:
    with (
        Cable() as cable,
        running(Board(tmp_path, site_on_lines(), "siding", ("serial", cable.board))) as board,
    ):
        verdicts = judged(site, tmp_path / "report.json", cable, chosen)
        assert board.process.poll() is None, board.words
    assert {verdicts[case] for case in CASES} == {"pass"}
    assert set(verdicts.values()) <= {"pass", "none"}


def test_a_site_file_that_says_json_is_refused(tmp_path: Path) -> None:
    from protocol.site_file import scenario

    with Cable() as cable, running(Board(tmp_path, scenario(), "south", ("serial", cable.board))) as board:
        assert board.process.wait(timeout=10) != 0
    assert 'reads = "cbor"' in board.words
