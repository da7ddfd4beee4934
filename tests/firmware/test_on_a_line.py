"""The core in C on a serial line: the whole suite through frames, and what the line alone can show."""

from __future__ import annotations

import ctypes
from pathlib import Path

import cbor2
import pytest

from protocol.wire.serial.framing import Frame, encode_frame
from protocol.wire.serial.line_message import Bus, Connection
from tests.firmware.board import NODES, site
from tests.firmware.line_node import LineNode, line_bench
from tests.firmware.participant import library
from tests.firmware.test_on_virtual_time import JUDGED, verdicts
from tests.needs import needs

pytestmark = needs("gcc")
ORDER, BOOT = 0x82, 7
ASK, HOLD = {2: 0, 16: 9}, {2: 2}


def on_a_line(folder: Path, node: str) -> ctypes.CDLL:
    return library(folder, node, flags=("-DON_A_LINE",))


@pytest.mark.parametrize("role", NODES)
def test_the_whole_suite_through_frames_and_noise(role: str, tmp_path: Path) -> None:
    spoken = verdicts(line_bench(on_a_line(tmp_path, NODES[role]), NODES[role], noise=True), NODES[role])
    assert int(spoken.pop("passed")) >= JUDGED[role]
    assert spoken == {}


@pytest.fixture
def node(tmp_path: Path) -> LineNode:
    return LineNode(on_a_line(tmp_path, "ferry"), site(), "ferry", boot=BOOT, now_ms=0)


def said(node: LineNode, now_ms: int) -> list[str]:
    return [one.topic.rpartition("/")[2] for one in node.tick(now_ms)]


def test_it_says_what_it_wants_until_the_bus_is_there(node: LineNode) -> None:
    """SER-05, SER-06, SER-08."""
    assert said(node, 900) == []
    assert node.here is not None
    assert (node.here.wants, node.here.name, node.here.connection) == (True, "ferry", Connection(BOOT, 1))
    for stranger in (Connection(BOOT + 1, 1), Connection(BOOT, 2)):
        node.say(Bus(stranger, "new").frame())
        assert said(node, 950) == []
    node.say(Bus(Connection(BOOT, 1), "on").frame())
    assert said(node, 960) == []
    node.say(Bus(Connection(BOOT, 1), "new").frame())
    assert said(node, 970)[:3] == ["node-status", "shuttle-status", "fault"]
    assert not node.here.wants
    node.say(Bus(Connection(BOOT, 1), "new").frame())
    assert said(node, 980) == ["node-status"]


def test_a_silent_line_is_no_bus(node: LineNode) -> None:
    """SER-06, SER-07: no order is taken then but a hold, and none that waited is obeyed later."""
    node.connected(10)
    node.gateway_is_silent = True
    node.tick(3200)
    assert node.here is not None
    assert node.here.wants
    assert node.here.connection.link == 2
    node.say(Frame(ORDER, cbor2.dumps(ASK)))
    assert said(node, 3300) == []
    node.say(Frame(ORDER, cbor2.dumps(HOLD)))
    node.say(Bus(Connection(BOOT, 2), "new").frame())
    (state,) = [one for one in node.tick(3400) if one.topic.endswith("shuttle-status")]
    assert cbor2.loads(state.payload)[6] is True


def test_a_report_goes_before_a_state_that_only_repeats(node: LineNode) -> None:
    """SER-12: what is written waits for nothing, so that no report is behind a repeat that is due as well."""
    node.connected(10)
    for byte in encode_frame(Frame(ORDER, cbor2.dumps({0: BOOT + 1, 1: 5, 2: 12, 3: 9000, 6: "quay-n"}))):
        node._core.yw_line_take(byte)
    assert said(node, 2000)[:2] == ["job-report", "shuttle-status"]


def test_orders_that_come_while_it_speaks_are_kept(node: LineNode) -> None:
    """Six asks in one breath: each answer takes twenty milliseconds, and no order may be lost [ORD-19]."""
    node.connected(10)
    for token in range(6):
        for byte in encode_frame(Frame(ORDER, cbor2.dumps({2: 0, 16: 2**31 + token}))):
            node._core.yw_line_take(byte)
    assert said(node, 12).count("job-report") == 6


@pytest.mark.parametrize(
    "damage",
    [
        lambda whole: whole[:5] + bytes([whole[5] ^ 1]) + whole[6:],
        lambda whole: whole[:-4] + b"\x7e",
        lambda whole: whole[:-1] + b"\x7d\x7e",
        lambda whole: b"\x7e" + b"q" * 200 + b"\x7e",
        lambda whole: b"\x7e" + b"q" * 127 + b"\x7e",
        lambda whole: whole[1:],
        lambda whole: b"\x7e\x01\x7e",
    ],
    ids=[
        "a bit",
        "cut short",
        "given up",
        "too long",
        "the largest size, no FCS",
        "no flag before",
        "short",
    ],
)
def test_a_damaged_frame_costs_itself_alone(damage: object, node: LineNode) -> None:
    """SER-04: dropped without a word, and the next frame is taken."""
    node.connected(10)
    whole = encode_frame(Frame(ORDER, cbor2.dumps(ASK)))
    core = node._core
    node._core.yw_line_take(0x00)  # What is behind the last frame's flag belongs to no frame.
    for byte in damage(whole):  # type: ignore[operator]
        core.yw_line_take(byte)
    reports = [one for one in node.tick(12) if one.topic.endswith("job-report")]
    assert reports == []
    for byte in whole:
        core.yw_line_take(byte)
    assert [one.topic.rpartition("/")[2] for one in node.tick(13)][-1] == "job-report"
