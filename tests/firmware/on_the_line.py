"""What a board on a line has to do, each as a question about a shuttle."""

from __future__ import annotations

import ctypes

import cbor2

from protocol.wire.serial.framing import Frame, encode_frame
from protocol.wire.serial.line_message import Bus, Connection
from tests.firmware.board import site
from tests.firmware.line_node import LineNode

ORDER = 0x82
BOOT = 0x7D07
"""A boot with an escape in it."""
ASK = encode_frame(Frame(ORDER, cbor2.dumps({2: 0, 16: 9})))


def node(core: ctypes.CDLL) -> LineNode:
    """A shuttle on a line."""
    return LineNode(core, site(), "ferry", boot=BOOT, now_ms=0)


def _answers(board: LineNode, now_ms: int) -> bool:
    return any(one.topic.endswith("job-report") for one in board.tick(now_ms))


def _up(board: LineNode) -> None:
    board.say(Bus(Connection(BOOT, 1), "new").frame())
    board.tick(20)


def escapes(board: LineNode) -> bool:
    """Whether what it says can be read though 0x7D is in it."""
    try:
        _up(board)
    except AssertionError:
        return False
    return board.here is not None


def takes_a_frame_in_pieces(board: LineNode) -> bool:
    """Whether it takes a frame of which the second half comes a round of the main loop later."""
    _up(board)
    for number, byte in enumerate(ASK):
        board._core.yw_line_take(byte)
        if number == len(ASK) // 2:
            board.tick(22)
    return _answers(board, 24)


def drops_a_flipped_bit(board: LineNode) -> bool:
    """Whether it drops an ask of which one bit of the token was flipped."""
    _up(board)
    for number, byte in enumerate(ASK):
        board._core.yw_line_take(byte ^ 1 if number == 6 else byte)
    return not _answers(board, 24)


def takes_no_order_without_a_bus(board: LineNode) -> bool:
    """Whether a claim that comes while the bus is away has no effect."""
    board.say(Frame(ORDER, cbor2.dumps({0: BOOT, 1: 5, 2: 1})))
    board.say(Bus(Connection(BOOT, 1), "new").frame())
    (status,) = [one for one in board.tick(20) if one.topic.endswith("node-status")]
    return bool(cbor2.loads(status.payload)[3] == 0)
