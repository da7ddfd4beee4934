"""A test machine that really stands still: the kit's process and the broker's are stopped for a while, on the wire."""

from __future__ import annotations

import json
import os
import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import pytest

from conformance.bench.brokers import mosquitto
from conformance.bench.brokers.broker import start_broker
from conformance.bench.processes.child import Child
from protocol.site_file import scenario_text
from tests.commands.at_the_tap import conforming, node
from tests.needs import needs

ABOUT_TIME = (
    "orders-answer-time", "messages-repeat", "messages-uptime", "link-acknowledges", "link-pings", "hold-all",
    "messages-heartbeat",
    "link-comes-back", "bench-set-uptime", "orders-in-order", "claim-raises",
)  # fmt: skip
ONLY = [word for id_ in ABOUT_TIME for word in ("--only", id_)]


@pytest.fixture
def site(tmp_path: Path) -> Path:
    path = tmp_path / "site.toml"
    path.write_text(scenario_text())
    return path


@contextmanager
def standing_still(process_id: int, for_s: float, every_s: float) -> Iterator[None]:
    """The process stands still again and again; it runs at the end."""
    over = threading.Event()

    def go_on() -> None:
        with suppress(ProcessLookupError):  # It has ended, and that was waited for.
            while not over.wait(every_s):
                os.kill(process_id, signal.SIGSTOP)
                over.wait(for_s)
                os.kill(process_id, signal.SIGCONT)

    thread = threading.Thread(target=go_on)
    thread.start()
    try:
        yield
    finally:
        over.set()
        thread.join()


def fails(report: dict[str, Any]) -> dict[str, str]:
    return {one["id"]: one["reason"] for one in report["cases"] if one["verdict"] in ("fail", "error")}


def test_a_kit_that_is_stopped_for_a_while_fails_no_node(site: Path, tmp_path: Path) -> None:
    file = tmp_path / "report.json"
    arguments = ("ferry", "--site", site, "--no-motion", "--choice", "embedded", "--json", file)
    with (
        conforming(*arguments, *ONLY) as kit,
        node("ferry", site, kit.port),
        standing_still(kit.process.pid, 0.6, 1.9),
    ):
        _, out, err = ended(kit)
    report = json.loads(file.read_text())
    assert fails(report) == {}, out + err
    assert report["stalls"]["timer"] > 1
    assert report["stalls"]["longest_ms"] >= 500
    assert "the test machine stood still" in out


@needs("mosquitto")
def test_a_broker_that_is_stopped_for_a_while_fails_no_node(
    site: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The kit's own timer goes on: only its packet, which does not come round, shows it."""
    started: list[Child] = []

    def child(*words: Any, **named: Any) -> Child:
        started.append(Child(*words, **named))
        return started[-1]

    monkeypatch.setattr(mosquitto, "Child", child)
    file = tmp_path / "report.json"
    with start_broker("mosquitto") as broker:
        arguments = ("ferry", "--site", site, "--no-motion", "--broker", broker.url, "--json", file)
        with (
            conforming(*arguments, *ONLY) as kit,
            node("ferry", site, kit.port),
            standing_still(started[-1].process_id, 1.2, 1.3),
        ):
            _, out, err = ended(kit)
    report = json.loads(file.read_text())
    assert fails(report) == {}, out + err
    assert report["stalls"]["path"] > 1
    assert report["stalls"]["path_measured"].startswith("a packet")
    assert report["notes"] == [], "the kit's own packet is no other client"


def ended(kit: Any) -> tuple[int, str, str]:
    out, err = kit.process.communicate(timeout=180)
    return kit.process.returncode, out, kit.told + err
