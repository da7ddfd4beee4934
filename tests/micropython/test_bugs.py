"""Each planted bug of the node in MicroPython is caught: by a case, on the wire, on the line or in its records."""

from __future__ import annotations

from pathlib import Path
from random import Random

import cbor2
import pytest

from conformance.bench.brokers.broker import start_broker
from conformance.suite.fixture import Fixture
from conformance.suite.verdict import Verdict
from conformance.tester.runner import Run, Selection
from protocol.site_file import scenario
from protocol.wire.serial.framing import Frame, FrameReader, encode_frame
from protocol.wire.serial.line_message import Bus, Connection
from tests.faulty_lines.faulty_line import site_on_lines
from tests.micropython.asked import asked
from tests.micropython.board import on_the_bench
from tests.micropython.bugs import (
    BY_THE_SUITE,
    IN_ITS_RECORDS,
    ON_THE_LINE,
    ON_THE_WIRE,
    planted,
)
from tests.micropython.interpreter import FIRMWARE, PROGRAMS, needs_micropython, site_for, started
from tests.micropython.participant import virtual_bench
from tests.sample import sampled

pytestmark = [needs_micropython, pytest.mark.slow]
SUITE_SAMPLE = ["json-of-the-interpreter", "nought-is-nothing", "uptime-without-end", "bounce-counts"]
WIRE_SAMPLE = ["subscribes-once", "order-of-another-day", "blocking-move"]


@pytest.mark.parametrize("name", sampled(BY_THE_SUITE, SUITE_SAMPLE))
def test_its_case_speaks_against_it(name: str, tmp_path: Path) -> None:
    bug = BY_THE_SUITE[name]
    with virtual_bench(tmp_path, bug.node, package=planted(bug, tmp_path)) as bench:
        fixture = Fixture(bench, scenario(), bug.node, Random(1))
        results = Run(fixture, Selection((bug.case, *bug.also))).perform()
    assert results[bug.case].verdict is Verdict.FAIL, results[bug.case].reason


@pytest.mark.wire
@pytest.mark.parametrize("name", sampled(ON_THE_WIRE, WIRE_SAMPLE))
def test_its_case_speaks_against_it_on_the_wire(name: str, tmp_path: Path) -> None:
    bug = ON_THE_WIRE[name]
    package = planted(bug, tmp_path)
    with (
        start_broker("auto") as broker,
        on_the_bench(tmp_path, scenario(), bug.node, broker, package=package) as (_, bench, _),
    ):
        run = Run(Fixture(bench, scenario(), bug.node, Random(1), 3.0), Selection((bug.case, *bug.also)))
        results = run.perform()
    found = {one.case.id: one.reason for one in results.values() if one.verdict is Verdict.FAIL}
    assert bug.case in found, {one.case.id: (one.verdict, one.reason) for one in results.values()}


ORDER, BOOT = 0x82, 0x7D07
"""A boot with an escape in it."""
ASK, CLAIM = cbor2.dumps({2: 0, 16: 9}), cbor2.dumps({0: BOOT, 1: 5, 2: 1})
NEW = encode_frame(Bus(Connection(BOOT, 1), "new").frame())


def heard(said: list[str]) -> list[Frame]:
    """What was said on the line, read by the kit."""
    return list(FrameReader().feed(b"".join(bytes.fromhex(line) for line in said)))


def on_a_line(folder: Path, package: Path, *told: bytes) -> list[Frame]:
    """What a shuttle says to these bytes, one round after the other."""
    where = site_for(folder, site_on_lines(), "ferry")
    process = started(PROGRAMS / "virtual_node.py", (BOOT, 0, "line"), where, package)
    lines = [f"{1000 + 10 * number} take {part.hex()}\n" for number, part in enumerate(told)]
    said, _ = process.communicate("".join(lines).encode(), timeout=20)
    return heard([line for line in said.decode().splitlines() if len(line) > 6])


def has_answered(frames: list[Frame]) -> bool:
    return any(frame.kind == 0x07 for frame in frames)


def questions(folder: Path, package: Path) -> dict[str, bool]:
    """What each bug of the line shows in, true for a sound node."""
    ask = encode_frame(Frame(ORDER, ASK))
    flipped = ask[:6] + bytes([ask[6] ^ 1]) + ask[7:]
    before = on_a_line(folder, package, encode_frame(Frame(ORDER, CLAIM)), NEW)
    marks = [cbor2.loads(frame.payload)[3] for frame in before if frame.kind == 0x02]
    return {
        "no-escape": [frame.kind for frame in on_a_line(folder, package, NEW)][:3] == [0x02, 0x04, 0x06],
        "frame-across-two-reads": has_answered(on_a_line(folder, package, NEW, ask[:5], ask[5:])),
        "check-not-looked-at": not has_answered(on_a_line(folder, package, NEW, flipped)),
        "order-of-a-dead-line": marks == [0] or not marks,
    }


def test_a_sound_node_answers_every_question_of_the_line(tmp_path: Path) -> None:
    assert all(questions(tmp_path, FIRMWARE).values())


@pytest.mark.parametrize("name", sampled(ON_THE_LINE, ["frame-across-two-reads"]))
def test_the_line_shows_it(name: str, tmp_path: Path) -> None:
    assert not questions(tmp_path, planted(ON_THE_LINE[name], tmp_path))[name]


@pytest.mark.parametrize("name", [None, *IN_ITS_RECORDS])
def test_a_loss_of_power_while_it_writes_shows_it(name: str | None, tmp_path: Path) -> None:
    package = FIRMWARE if name is None else planted(IN_ITS_RECORDS[name], tmp_path)
    told = ["boot", "boot", "boot", "cut", "boot", "erase", "boot"]
    first, *others, cut, after, _, erased = asked("boots.py", told, tmp_path, package)
    given = [answer.split() for answer in (first, *others, after, erased)]
    numbers, drawn = [int(one[0]) for one in given[:-1]], [one[1] for one in given]
    sound = len(set(numbers)) == len(numbers) and drawn == ["True", "False", "False", "False", "True"]
    assert cut.strip() == "cut"
    assert sound is (name is None)


def test_there_are_enough_of_them() -> None:
    every = [*BY_THE_SUITE, *ON_THE_WIRE, *ON_THE_LINE, *IN_ITS_RECORDS]
    assert len(every) == len(set(every)) >= 20
