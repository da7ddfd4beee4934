"""The core in C as a process at the end of a cable, built with the sanitizers: `conform` over it as a user types it."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from protocol.site import Site
from protocol.site_file import read_site, scenario_text
from tests.firmware.asked_again import against, verdicts_of
from tests.firmware.board import NODES, build
from tests.needs import needs
from tests.serial.cable import Cable

pytestmark = [needs("gcc"), needs("mosquitto"), pytest.mark.wire, pytest.mark.slow]
YARDWIRE = (sys.executable, "-m", "conformance.commands.main")
PART = (
    "serial-frames", "serial-garbage", "serial-says-here", "serial-status-again", "orders-in-order", "orders-rate",
    "link-will",
)  # fmt: skip
JUDGED = {"crane": 105, "berth": 105, "shuttle": 100}


def text() -> str:
    found = scenario_text().replace('"both"', '"cbor"')
    return found.replace('reads = "json"', 'reads = "cbor"').replace('writes = "json"', 'writes = "cbor"')


def passed(role: str, folder: Path, *words: str) -> set[str]:
    """The cases that passed; no other may be spoken of, and the sanitizers say nothing."""
    site: Site = read_site(text().encode(), "harlow-basin on cables")
    (folder / "site.toml").write_text(text(), encoding="utf-8")
    node, log, report = NODES[role], folder / "node.log", folder / "report.json"
    program = build(folder, node, of=site, link="line")

    def ask(port: str, pid: int, *only: str) -> dict[str, Any]:
        done = subprocess.run(
            [*YARDWIRE, "conform", node, "--site", "site.toml", "--serial", port, "--yes", "--walk", "0",
             "--reset-command", f"kill -HUP {pid}", "--json", str(report), *only],
            capture_output=True, text=True, check=False, timeout=900, cwd=folder,
        )  # fmt: skip
        assert report.exists(), done.stdout + done.stderr
        told: dict[str, Any] = json.loads(report.read_text(encoding="utf-8"))
        return told

    with Cable() as cable, log.open("wb") as errors:
        process = subprocess.Popen([program, cable.board, folder / "cells"], stderr=errors)
        try:
            found = verdicts_of(lambda more: ask(cable.host, process.pid, *(more or words)))
        finally:
            process.kill()
            process.wait()
    assert log.read_text(errors="replace") == ""
    assert against(found) == {}
    return set(found)


def test_a_part_of_the_suite(tmp_path: Path) -> None:
    only = [word for case in PART for word in ("--only", case)]
    assert passed("berth", tmp_path, *only) >= set(PART)


@pytest.mark.exhaustive
@pytest.mark.parametrize("role", NODES)
def test_the_whole_suite_in_motion(role: str, tmp_path: Path) -> None:
    assert len(passed(role, tmp_path)) >= JUDGED[role]
