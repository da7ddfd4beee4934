"""The images for an ATmega328P in simavr, each with its machine at the pins, through the gateway.

On the bench the whole suite and the fuzzer, in motion; and in service, where the machine's own switches count.
"""

from __future__ import annotations

import itertools
import json
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from benchmarks.firmware import recorded_stack
from conformance.bench.brokers.broker import Broker, start_broker
from conformance.bench.processes.avr_board import AvrBoard
from conformance.publish.firmware.simulated import start_avr_board
from protocol.site import Site
from protocol.site_file import read_site, scenario_text
from protocol.wire.endpoint import Endpoint
from protocol.wire.serial.gateway import Fleet, Gateway
from protocol.wire.serial.port import SerialPort
from tests.firmware.asked_again import against, verdicts_of
from tests.firmware.board import CORE
from tests.firmware.bugs import ON_THE_CHIP, planted
from tests.needs import needs, needs_header
from tests.serial.test_on_a_cable import Listener, report_on

pytestmark = [
    needs("avr-gcc"),
    needs("gcc"),
    needs("mosquitto"),
    needs_header("simavr/sim_avr.h", "libsimavr-dev"),
    pytest.mark.wire,
    pytest.mark.slow,
]
YARDWIRE = (sys.executable, "-m", "conformance.commands.main")
CHIP_RAM = 2048
STACK_GROWS = 1.1
"""An interrupt takes 30 bytes, and comes at the deepest place or not."""
JUDGED = {"crane": 108, "berth": 105}
"""At least so many cases have something to say of each role."""


@cache
def site_text() -> str:
    """harlow-basin with boards of 128 bytes that read and write CBOR alone, and time-outs that a test can wait for."""
    text = scenario_text()
    for old, new in (
        ('reads = "both"', 'reads = "cbor"'),
        ('reads = "json"', 'reads = "cbor"'),
        ('writes = "json"', 'writes = "cbor"'),
        ("buffer = 512", "buffer = 128"),
        ("load_sensor = true\n", "load_sensor = true\njob_timeout_ms = 25000\n"),
    ):
        assert old in text
        text = text.replace(old, new)
    return text


@cache
def site() -> Site:
    return read_site(site_text().encode(), "harlow-basin with boards on cables")


@contextmanager
def simulated(name: str, folder: Path, *, bench: bool) -> Iterator[AvrBoard]:
    (folder / "site.toml").write_text(site_text(), encoding="utf-8")
    with start_avr_board(CORE, site(), name, folder, bench=bench) as board:
        yield board


def run(board: AvrBoard, folder: Path, command: str, name: str, *words: str) -> dict[str, Any]:
    """Run a command over the board's line to its end; its report, and the exit code under 'exit'."""
    report = folder / "report.json"
    line = [command, name, "--site", str(folder / "site.toml"), "--serial", board.port, "--json", str(report)]
    done = subprocess.run(
        [*YARDWIRE, *line, "--yes", "--reset-command", board.reset_command, *words],
        capture_output=True, text=True, check=False, timeout=900, cwd=folder,
    )  # fmt: skip
    assert report.exists(), done.stdout + done.stderr
    return {**json.loads(report.read_text(encoding="utf-8")), "exit": done.returncode, "told": done.stdout}


def sound(board: AvrBoard) -> dict[str, Any]:
    """What the board has counted: no byte was lost in it, and the stack has room."""
    told = board.tell()
    assert (told["overruns"], told["unread"]) == (0, 0), told
    assert told["variables"] + told["stack"] <= CHIP_RAM * 3 // 4, told
    return told


PART = ("serial-status-again", "berth-arrival", "berth-bounce", "berth-times-arrival", "orders-in-order")


def test_a_berth_in_motion(tmp_path: Path) -> None:
    """A part of the suite; all of it takes four minutes."""
    with simulated("siding", tmp_path, bench=True) as board:
        chosen = [word for case in PART for word in ("--only", case)]
        found = verdicts_of(
            lambda words: run(board, tmp_path, "conform", "siding", "--walk", "0", *(words or chosen))
        )
        sound(board)
    assert against(found) == {}
    assert set(found) >= set(PART)


@pytest.mark.parametrize(
    ("role", "name"),
    [("crane", "south"), pytest.param("berth", "siding", marks=pytest.mark.exhaustive)],
)
def test_the_whole_suite_in_motion(role: str, name: str, tmp_path: Path) -> None:
    with simulated(name, tmp_path, bench=True) as board:
        found = verdicts_of(lambda words: run(board, tmp_path, "conform", name, "--walk", "0", *words))
        told = sound(board)
    assert against(found) == {}
    assert len(found) >= JUDGED[role]
    assert told["stack"] <= recorded_stack()[role] * STACK_GROWS
    assert role != "crane" or told["steps"] > 10_000


@pytest.mark.parametrize("name", ON_THE_CHIP)
def test_a_bug_of_the_board_is_seen_on_its_chip(name: str, tmp_path: Path) -> None:
    bug = ON_THE_CHIP[name]
    (tmp_path / "site.toml").write_text(site_text(), encoding="utf-8")
    core = planted(bug, tmp_path)
    with start_avr_board(core, site(), "south", tmp_path, bench=True) as board:
        report = run(board, tmp_path, "conform", "south", "--walk", "0", "--only", bug.case)
    # A board that restarts again and again stays long enough on the bus for no verdict.
    assert report["exit"] == 1
    assert {case["id"]: case["verdict"] for case in report["cases"]}[bug.case] in ("fail", "inconclusive")


def test_a_board_is_back_at_once_after_a_power_cycle(tmp_path: Path) -> None:
    """However long it ran before: the simulator's own count of cycles goes on."""
    with simulated("south", tmp_path, bench=True) as board, start_broker("mosquitto") as broker:
        time.sleep(6.0)
        board.tell("power-cycle")
        listener = Listener(broker)
        try:
            with gateway(broker, board.port):
                began = time.monotonic()
                listener.wait("south", "node-status", lambda body: body["state"] == "on")
                assert time.monotonic() - began < 4
        finally:
            listener.close()


def test_the_fuzzer_finds_nothing(tmp_path: Path) -> None:
    """A short run; by hand half an hour: `yardwire fuzz` over the same board."""
    with simulated("south", tmp_path, bench=True) as board:
        report = run(board, tmp_path, "fuzz", "south", "--minutes", "0.3")
        sound(board)
    assert report["exit"] == 0, report["told"]


@contextmanager
def in_service(tmp_path: Path) -> Iterator[tuple[AvrBoard, Listener, Callable[..., dict[str, object]]]]:
    """A crane on the bus, another client, and a function that gives the crane an order and waits for its report."""
    with (
        simulated("south", tmp_path, bench=False) as board,
        start_broker("mosquitto") as broker,
        gateway(broker, board.port),
    ):
        listener = Listener(broker)
        numbers = itertools.count(1)
        boot = listener.wait("south", "node-status", lambda body: body["state"] == "on")["boot"]

        def order(act: str, state: str = "done", **fields: Any) -> dict[str, object]:
            number = next(numbers)
            uptime = int(str(listener.wait("south", "crane-status", lambda _: True)["uptime"]))
            late = {} if act in ("claim", "reset-fault") else {"deadline": uptime + 20_000}
            listener.publish("south", act=act, boot=boot, id=number, **late, **fields)
            return listener.wait("south", "job-report", report_on(number, state))

        try:
            yield board, listener, order
        finally:
            listener.close()


def gateway(broker: Broker, port: str) -> Gateway:
    endpoint = Endpoint(broker.host, broker.port)
    ports = [(port, lambda: SerialPort(port, 115_200))]
    return Gateway(ports, Fleet(site().name, site().nodes, lambda _name: endpoint), rate=115_200)


def near(seen: Sequence[float], wanted: Sequence[float]) -> bool:
    """Within 2 mm: home is where a switch opens, which is not quite where it closed."""
    return all(abs(one - other) <= 2 for one, other in zip(seen, wanted, strict=True))


def test_a_box_is_carried_by_motors_and_switches(tmp_path: Path) -> None:
    """In service: home switches, load switch, stepper drivers; no step is lost, and the box is where it was sent."""
    crane = site().nodes["south"].crane
    assert crane is not None
    x, y, _ = crane.places["stack-s"].slots[1]
    with in_service(tmp_path) as (board, listener, order):
        assert board.tell()["steps"] == 0
        order("claim")
        order("home")
        assert near(board.tell()["at"], (0, 0, 0))
        from_to = {"from": "stack-s", "from_slot": 0, "to": "stack-s", "to_slot": 1}
        order("transfer", "running", box="C-1", **from_to)
        listener.wait("south", "job-report", lambda body: body.get("step") == "lift")
        assert board.tell()["gripped"]
        told = listener.wait(
            "south", "job-report", lambda body: (body["act"], body["state"]) == ("transfer", "done")
        )
        assert told["load"] == "none"
        end = board.tell()
        assert near(end["at"], (x, y, crane.travel))
        assert (end["lost_steps"], end["gripped"]) == (0, False)


def test_nothing_moves_without_an_order(tmp_path: Path) -> None:
    """A loss of motor power or of the board's own ends a move, and nothing goes on by itself [SAF-02, FLT-06]."""
    with in_service(tmp_path) as (board, listener, order):
        order("claim")
        order("home", "running")
        listener.wait("south", "crane-status", lambda body: board.tell()["steps"] > 100)
        board.tell("motor-power 0")
        listener.wait("south", "fault", lambda body: "power-lost" in str(body["active"]))
        board.tell("motor-power 1")
        lost = board.tell()
        time.sleep(1.0)
        assert board.tell()["steps"] == lost["steps"]
        order("reset-fault", faults=1)
        order("home", "running")
        listener.wait("south", "crane-status", lambda body: board.tell()["steps"] > lost["steps"] + 100)
        board.tell("power-cycle")
        cut = board.tell()["steps"]
        listener.wait("south", "node-status", lambda body: (body["state"], body.get("link")) == ("on", 1))
        time.sleep(1.0)
        assert board.tell()["steps"] == cut
