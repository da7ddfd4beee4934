"""`yardwire watch` as a user runs it: it prints an address that opens, and says what it cannot do."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import urllib.request
from pathlib import Path

import pytest

from conformance.bench.brokers.broker import start_broker
from conformance.commands import main
from protocol.site_file import scenario_text
from tests.commands.yardwire import YARDWIRE

PATIENCE_S = 20


@pytest.fixture
def site(tmp_path: Path) -> str:
    path = tmp_path / "site.toml"
    path.write_text(scenario_text())
    return str(path)


def test_the_address_that_it_prints_opens(site: str) -> None:
    with start_broker("embedded") as broker:
        command = [sys.executable, "-c", YARDWIRE, "watch", "--site", site, "--broker", broker.url]
        with subprocess.Popen(
            command, stdout=subprocess.PIPE, text=True, env={**os.environ, "PYTHONUNBUFFERED": "1"}
        ) as process:
            try:
                assert process.stdout is not None
                url = process.stdout.readline().split(" live: ")[1].strip()
                with urllib.request.urlopen(url, timeout=PATIENCE_S) as answer:
                    sheet = answer.read().decode()
                process.send_signal(signal.SIGINT)
                assert process.wait(PATIENCE_S) == 130
            finally:
                process.kill()
    assert "harlow-basin" in sheet
    assert "<button" not in sheet


@pytest.mark.wire
def test_without_a_broker_it_says_so(site: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main.run(["watch", "--site", site, "--broker", "mqtt://127.0.0.1:1"]) == 2
    assert "nothing listens there" in capsys.readouterr().err


def test_it_is_not_open_to_the_network_by_mistake(site: str, capsys: pytest.CaptureFixture[str]) -> None:
    with start_broker("embedded") as broker:
        arguments = ["watch", "--site", site, "--broker", broker.url, "--bind", "192.0.2.1"]
        assert main.run(arguments) == 2
    assert "nobody asked for that" in capsys.readouterr().err
