"""`demo --boards`: firmware for boards plays a node of the yard, and the cycle comes out as without."""

from __future__ import annotations

import os
import signal
import sys
import time
from pathlib import Path
from random import Random

import pytest

from conformance.bench.brokers.broker import Broker, start_broker
from conformance.commands.demo.boards import micropython_berth
from conformance.commands.demo.boards.every import BOARDS, ON_A_CABLE, boards_of, site_text_with_boards
from conformance.commands.demo.boards.micropython_berth import MicroPythonBerth
from conformance.commands.demo.yard import BERTH, BOX, demo_yard
from conformance.recordings.show.story import tell
from protocol.recording import Header, RecordingReader
from protocol.site_file import read_site, scenario, scenario_text
from protocol.trouble import Trouble
from protocol.wire.endpoint import Endpoint
from reference_node.machines.world import World
from tests.micropython.interpreter import needs_micropython
from tests.needs import needs, needs_header

PATIENCE_S = 120.0


def berth(broker: Broker, folder: Path) -> MicroPythonBerth:
    endpoint = Endpoint(broker.host, broker.port)
    return MicroPythonBerth(scenario(), BERTH, endpoint, World(scenario(), {}), Random(1), folder)


@needs_micropython
@needs("avr-gcc")
@needs("gcc")
@needs_header("simavr/sim_avr.h", "libsimavr-dev")
@pytest.mark.wire
@pytest.mark.exhaustive
def test_the_cycle_with_boards(tmp_path: Path) -> None:
    """Recorded, valid, the train at rest where a crane loads it, the box gone with it. CI runs it as the demo."""
    site = read_site(site_text_with_boards(scenario_text()).encode(), "harlow-basin with boards")
    recording = tmp_path / "cycle.ywrec"
    header = Header(site.name, "2026-01-01T00:00:00Z", "", "")
    boards = {name: made for name, (_, made) in boards_of(site, tmp_path).items()}
    assert set(BOARDS) == {BERTH, ON_A_CABLE}
    with (
        start_broker("auto") as broker,
        demo_yard(site, broker, recording, header, 7, boards) as yard,
    ):
        end = time.monotonic() + PATIENCE_S
        while not yard.supervisor.finished and time.monotonic() < end:
            time.sleep(0.1)
            yard.check()
        assert yard.supervisor.finished, yard.supervisor.troubles
        time.sleep(0.5)
        assert {sent.state for _, _, sent in yard.supervisor.history} == {"done"}
        assert BOX in yard.supervisor.inventory.gone
        assert yard.world.accidents == []
    with recording.open("rb") as file:
        reader = RecordingReader(file)
        story = tell(reader.header, reader)
    assert story.invalid == []
    said = {line.node: line.body["firmware"] for line in story.lines if "firmware" in line.body}
    assert (said[BERTH], said[ON_A_CABLE]) == ("yw-mpy-1", "yw-c-1")


@needs_micropython
@pytest.mark.wire
def test_a_board_that_dies_is_told(tmp_path: Path) -> None:
    with start_broker("auto") as broker:
        board = berth(broker, tmp_path)
        board.start()
        try:
            assert board._child is not None
            os.kill(board._child.process_id, signal.SIGKILL)
            end = time.monotonic() + 10
            while board.failure is None and time.monotonic() < end:
                time.sleep(0.02)
            assert isinstance(board.failure, Trouble)
        finally:
            board.stop()


def test_without_an_interpreter_it_says_what_to_do(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "executable", str(tmp_path / "python"))
    monkeypatch.setenv("PATH", str(tmp_path))
    with pytest.raises(Trouble, match="MicroPython is not on this machine"):
        micropython_berth.micropython()
