"""A board on a serial line: its frames, how it learns that the bus is there or gone, and what it does meanwhile."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Mapping
from typing import Any

from conformance.suite.case import case
from conformance.suite.fixture import Fixture
from conformance.suite.line import Line, SeenFrame, canonical
from conformance.suite.occasions import A_JOB
from conformance.suite.verdict import Unclear
from protocol.codec import encode
from protocol.counting import next_count
from protocol.site import Encoding
from protocol.specification import specification
from protocol.wire.serial.framing import ESCAPE, FLAG, Frame, encode_frame, fcs
from protocol.wire.serial.line_message import Bus, Connection

TIMER_MS = 100
"""What a main loop may be late."""
BACK_MS = 15_000
AGAIN = 3
"""How often a state is looked at where a line may lose it."""


@case("SER-03", after=("link-says-on",), passive=True, occasions=A_JOB, serial=True)
def serial_frames(fixture: Fixture) -> None:
    """Every frame of the node has the octets that RFC 1662 gives it: two escaped ones, and no other.

    Judged from what stood between the flags at the node's end. What has a wrong FCS is not judged: a line may damage
    frames.
    """
    line = _line(fixture)
    for one in line.log.frames:
        if not one.from_node or one.frame is None:
            continue
        inside = bytes((one.frame.kind,)) + one.frame.payload
        inside += fcs(inside)
        most = fixture.spec.most("frame")
        fixture.check(len(inside) <= most, "SER-03", f"at most {most} bytes", f"{len(inside)} bytes")
        expected = canonical(inside)
        fixture.check(one.raw == expected, "SER-03", f"the octets {expected.hex(' ')}", one.raw.hex(" "))


@case("SER-04", after=("orders-ask",), serial=True)
def serial_garbage(fixture: Fixture) -> None:
    """Garbage, damaged frames and frames that are not for a node are dropped; the next one is taken.

    Puts on the line: random bytes, an ask with each of its octets damaged in turn, an ask cut short, one given up, one
    behind more bytes than a frame may have, one of every kind that no gateway sends. Behind each comes an ask over the
    bus, which has to be answered; no other is, and no bad message is raised.
    """
    line = _line(fixture)
    faults = fixture.ask().body("fault")
    for raw in _garbage(fixture):
        wrong = fixture.new_token()
        before = fixture.log.end
        line.send(raw(_ask(wrong)))
        _judge_takes_the_next(fixture)
        taken = [m for m in fixture.log.since(before) if m.is_report("ask", token=wrong)]
        fixture.none(taken, "SER-04", "no report for a frame that is none", lambda m: m.body)
    after = fixture.ask().body("fault")
    fixture.equal(after.get("active"), faults.get("active"), "SER-04", "no fault from garbage")


def _judge_takes_the_next(fixture: Fixture) -> None:
    token = fixture.new_token()
    before = fixture.send_raw(fixture.encoded({"act": "ask", "token": token}))
    report = fixture.wait_for(lambda m: m.is_report("ask", token=token), fixture.patience_ms, before)
    fixture.check(report is not None, "SER-04", "an answer to the ask behind garbage", "none")


@case("SER-05", after=("orders-ask",), serial=True)
def serial_says_here(fixture: Fixture) -> None:
    """The node says 'here' in time: with 'on' while the bus is there, with 'off', site and name while it is not.

    Mutes the gateway until the node has noticed, and lets it come back. Boot and link count have to be those of its
    node-status, and of its next connection.
    """
    line = _line(fixture)
    _judge_beat(fixture, line, wants=False, own=_connection(fixture))
    with_bus = _connection(fixture)
    line.mute(True)
    try:
        _wait_frame(fixture, line, lambda one: one.here is not None and one.here.wants, _silence(fixture) * 2)
        wanted = Connection(with_bus.boot, next_count(with_bus.link))
        _judge_beat(fixture, line, wants=True, own=wanted)
    finally:
        line.mute(False)
    _come_back(fixture, line)


def _judge_beat(fixture: Fixture, line: Line, *, wants: bool, own: Connection) -> None:
    figure = fixture.spec.timing["line_beat"]
    most = fixture.limit_ms("line_beat") + TIMER_MS
    before = line.log.end
    fixture.bench.wait(lambda: False, AGAIN * most)
    beats = [one for one in line.log.since(before) if one.here is not None]
    fixture.check(len(beats) >= AGAIN - 1, "SER-05", f"'here' every {figure}", f"{len(beats)} in {AGAIN} s")
    for earlier, later in itertools.pairwise(beats):
        gap = later.at_ms - earlier.at_ms
        fits = (figure.least or 0) - TIMER_MS <= gap <= most
        fixture.check(fits, "SER-05", f"'here' every {figure}", f"a gap of {gap:.0f} ms")
    for one in beats:
        assert one.here is not None
        said = (one.here.wants, one.here.connection)
        fixture.equal(said, (wants, own), "SER-05", f"'here' with {'off' if wants else 'on'} and {own}")
        if wants:
            names = (one.here.site, one.here.name)
            fixture.equal(names, (fixture.site.name, fixture.name), "SER-05", "its site and its name")


@case("SER-06", after=("serial-says-here",), serial=True)
def serial_bus_goes(fixture: Fixture) -> None:
    """The node takes the bus for gone when it is told so, or hears nothing for as long as the text says.

    Sends it a 'bus' with 'off' for another boot and for another connection, which change nothing, and then for its
    own. Then mutes the gateway: not before the silence is over, and not much later, the node asks for its next
    connection.
    """
    line, own = _line(fixture), _connection(fixture)
    others = (Connection(fixture.other_boot(), own.link), Connection(own.boot, (own.link + 7) % 65536))
    for other in others:
        for state in ("off", "new"):
            before = line.log.end
            line.send(encode_frame(Bus(other, state).frame()))
            fixture.bench.wait(lambda: False, fixture.limit_ms("line_beat") + TIMER_MS)
            here = [one.here for one in line.log.since(before) if one.here is not None]
            stays = bool(here) and all(one.connection == own and not one.wants for one in here)
            fixture.check(stays, "SER-06", f"{own} stays, whatever is said of {other}", here)
    line.send(encode_frame(Bus(own, "off").frame()))
    _judge_asks_for_next(fixture, line, own, fixture.limit_ms("line_beat") + TIMER_MS)
    _come_back(fixture, line)
    own = _connection(fixture)
    last = _last_bus(line)
    line.mute(True)
    try:
        gone = _judge_asks_for_next(fixture, line, own, _silence(fixture) + _grace(fixture))
        silent = gone.at_ms - last.at_ms
        early = silent >= _silence(fixture) / fixture.slow - TIMER_MS
        fixture.check(
            early, "SER-06", f"silence of {fixture.spec.timing['line_silence']}", f"{silent:.0f} ms"
        )
    finally:
        line.mute(False)
    _come_back(fixture, line)


@case("SER-07", after=("serial-bus-goes",), serial=True)
def serial_orders_without_the_bus(fixture: Fixture) -> None:
    """While the bus is not there the node sends nothing but 'here', and takes no order but a hold.

    Mutes the gateway until the node has noticed. A claim that reaches it then must not raise its mark; a hold has to
    be obeyed. Both are asked for when the bus is there again. Moves nothing, and ends with a resume.
    """
    line = _line(fixture)
    before = fixture.ask()
    claim = {"act": "claim", "boot": fixture.boot, "id": fixture.new_claim(before.mark)}
    line.mute(True)
    try:
        _wait_frame(fixture, line, lambda one: one.here is not None and one.here.wants, _silence(fixture) * 2)
        since = line.log.end
        line.send(_order(claim) + _order({"act": "hold"}))
        fixture.bench.wait(lambda: False, AGAIN * fixture.limit_ms("line_beat"))
        kinds = [one.kind for one in line.log.since(since) if one.from_node and one.frame is not None]
        only = set(kinds) <= {"here"}
        fixture.check(only, "SER-07", "nothing but 'here' while the bus is not there", ", ".join(kinds))
    finally:
        line.mute(False)
    _come_back(fixture, line)
    after = fixture.ask()
    fixture.equal(after.mark, before.mark, "SER-07", f"mark {before.mark}: the claim is not taken")
    holds = next_count(int(before.role_state["holds"]))
    seen = (after.role_state["held"], after.role_state["holds"])
    fixture.equal(seen, (True, holds), "SER-07", f"held, holds {holds}: a hold is always taken")
    fixture.answer_to("resume", holds=holds)


@case("SER-08", after=("orders-ask",), serial=True)
def serial_status_again(fixture: Fixture) -> None:
    """The node answers each 'bus' with 'new' for its connection with its node-status.

    Says 'new' once more for the connection that the node has; its link count has to stay as it is.
    """
    line, own = _line(fixture), _connection(fixture)
    for _ in range(AGAIN):
        before = line.log.end
        line.send(encode_frame(Bus(own, "new").frame()))
        status = _wait_frame(
            fixture, line, lambda one: one.kind == "node-status", fixture.patience_ms, before
        )
        fixture.check(status is not None, "SER-08", "its node-status", "nothing")
    fixture.equal(_connection(fixture), own, "SER-08", f"{own} as before")


# ---- what the cases share


def _line(fixture: Fixture) -> Line:
    if fixture.bench.line is None:
        raise Unclear("the node is on no serial line")
    return fixture.bench.line


def _silence(fixture: Fixture) -> float:
    return fixture.stretched(float(fixture.spec.timing["line_silence"].value or 0))


def _grace(fixture: Fixture) -> float:
    """How much later than the silence its 'here' may come."""
    return fixture.limit_ms("line_beat") + fixture.stretched(2 * TIMER_MS)


def _connection(fixture: Fixture) -> Connection:
    """What the node says that it has."""
    status = fixture.ask().body("node-status")
    return Connection(int(status["boot"]), int(status["link"]))


def _last_bus(line: Line) -> SeenFrame:
    found = [one for one in line.log.frames if one.kind == "bus"]
    if not found:
        raise Unclear("the gateway has said nothing yet")
    return found[-1]


def _wait_frame(
    fixture: Fixture,
    line: Line,
    wanted: Callable[[SeenFrame], bool],
    within_ms: float,
    after: int | None = None,
) -> SeenFrame | None:
    since = line.log.end if after is None else after

    def find() -> SeenFrame | None:
        return next((one for one in line.log.since(since) if one.from_node and wanted(one)), None)

    fixture.bench.wait(lambda: find() is not None, within_ms)
    return find()


def _judge_asks_for_next(fixture: Fixture, line: Line, own: Connection, within_ms: float) -> SeenFrame:
    wanted = Connection(own.boot, next_count(own.link))
    gone = _wait_frame(fixture, line, lambda one: one.here is not None and one.here.wants, within_ms)
    fixture.check(gone is not None, "SER-06", f"a 'here' with 'off' within {within_ms:.0f} ms", "none")
    assert gone is not None
    assert gone.here is not None
    fixture.equal(gone.here.connection, wanted, "SER-06", f"a 'here' that asks for {wanted}")
    return gone


def _come_back(fixture: Fixture, line: Line) -> None:
    """Wait until the node has the bus again."""
    back = _wait_frame(
        fixture, line, lambda one: one.kind == "node-status", fixture.stretched(BACK_MS), line.log.end
    )
    fixture.need(back is not None, "the node did not come back to the bus")
    fixture.until_it_hears()


def _ask(token: int) -> Frame:
    body = {"act": "ask", "token": token}
    return Frame(_number("job-order"), encode("job-order", body, Encoding.CBOR))


def _order(body: Mapping[str, Any]) -> bytes:
    payload = encode("job-order", body, Encoding.CBOR)
    return encode_frame(Frame(_number("job-order"), payload))


def _number(kind: str) -> int:
    return specification().line_kinds[kind].number


def _garbage(fixture: Fixture) -> list[Callable[[Frame], bytes]]:
    """What stands before the sound frame, made of an ask that must not be taken."""
    spec, rng = fixture.spec, fixture.rng
    flag, known = (
        bytes((FLAG,)),
        {kind.number for kind in spec.line_kinds.values() if kind.sender == "gateway"},
    )
    noise = bytes(octet for octet in rng.randbytes(60) if octet != FLAG)

    def damaged(at: int) -> Callable[[Frame], bytes]:
        def make(frame: Frame) -> bytes:
            raw = bytearray(encode_frame(frame))
            raw[1 + at % (len(raw) - 2)] ^= 1
            return bytes(raw)

        return make

    def of_kind(number: int) -> Callable[[Frame], bytes]:
        return lambda frame: encode_frame(Frame(number, frame.payload))

    foreign = [0x00, 0x7F, 0x80, 0xFF, *(kind.number for kind in spec.line_kinds.values())]
    return [
        lambda _frame: noise,
        lambda _frame: flag + noise,
        *(damaged(at) for at in range(12)),
        lambda frame: encode_frame(frame)[:-4],
        lambda frame: encode_frame(frame)[:-1] + bytes((ESCAPE,)) + flag,
        lambda frame: flag + b"\x01" * 2 * spec.most("frame") + encode_frame(frame)[1:],
        *(of_kind(number) for number in foreign if number not in known),
    ]
