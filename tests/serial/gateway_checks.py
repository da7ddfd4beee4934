"""What a gateway has to do, as checks that any gateway's end of a line can be put to [SER-09 to SER-11]."""

from __future__ import annotations

import itertools
from collections.abc import Callable

from protocol.codec import decode, encode
from protocol.site import Encoding
from protocol.wire.serial.framing import Frame, encode_frame
from protocol.wire.serial.gateway_line import SOONEST_MS, GatewayLine
from protocol.wire.serial.line_message import Bus, Connection
from tests.serial.gateway_stand import KINDS, SITE, Stand, closed, openings, published, status_payload

Check = Callable[[type[GatewayLine]], None]
CHECKS: dict[str, tuple[str, Check]] = {}
HOLD = encode("job-order", {"act": "hold"}, Encoding.CBOR)
ASK = encode("job-order", {"act": "ask", "token": 5}, Encoding.CBOR)
FAULT = encode("fault", {"boot": 7, "seq": 0, "uptime": 9, "active": [], "faults": 0}, Encoding.CBOR)


def check(requirement: str) -> Callable[[Check], Check]:
    def enter(body: Check) -> Check:
        CHECKS[body.__name__] = (requirement, body)
        return body

    return enter


@check("SER-09")
def opens_with_the_will_of_that_connection(gateway: type[GatewayLine]) -> None:
    stand = Stand(gateway)
    stand.here(7, 3)
    (opening,) = openings(stand.take_done())
    will = opening.will(1)
    assert (opening.name, will.topic) == ("siding", f"yw1/{SITE.name}/siding/node-status")
    assert will.retain
    assert decode("node-status", will.payload).body == {"boot": 7, "link": 3, "state": "off"}
    topics = {f"yw1/{SITE.name}/{name}/job-order" for name in ("siding", "all")}
    assert set(stand.gateway.subscriptions()) == {(topic, 1) for topic in topics}


@check("SER-09")
def a_board_that_starts_anew_ends_the_connection_of_its_last_life(gateway: type[GatewayLine]) -> None:
    for boot, link in ((8, 1), (7, 4)):
        stand = Stand(gateway)
        stand.up(7, 3)
        stand.here(boot, link)
        assert closed(stand.done)
        stand.passes(1500)
        stand.here(boot, link)
        stand.take_said()
        wanted = [opening.connection for opening in openings(stand.take_done())]
        assert wanted == [Connection(boot, link)]


@check("SER-09")
def a_board_whose_boot_comes_again_is_another_life_all_the_same(gateway: type[GatewayLine]) -> None:
    stand = Stand(gateway)
    stand.up(7, 1)
    stand.here(7, 1)
    assert closed(stand.take_done())


@check("SER-09")
def the_connection_ends_when_the_line_is_silent_and_no_sooner(gateway: type[GatewayLine]) -> None:
    stand = Stand(gateway)
    stand.up()
    stand.passes(2900)
    assert not closed(stand.done)
    stand.passes(200)
    assert closed(stand.take_done())


@check("SER-09")
def damaged_frames_echoes_and_noise_are_no_life(gateway: type[GatewayLine]) -> None:
    stand = Stand(gateway)
    stand.up()
    damaged = bytearray(encode_frame(Frame(KINDS["fault"].number, FAULT)))
    damaged[3] ^= 4
    for _ in range(33):
        stand.says(bytes(damaged) + encode_frame(Bus(Connection(7, 1), "on").frame()) + b"\x00\xff garbage")
        stand.passes(100)
    assert closed(stand.take_done())


@check("SER-10")
def nothing_is_there_until_it_is_subscribed(gateway: type[GatewayLine]) -> None:
    stand = Stand(gateway)
    stand.here(7, 1)
    assert stand.buses() == [Bus(Connection(7, 1), "off")]
    stand.passes(1500)
    assert {bus.state for bus in stand.buses()} <= {"off"}
    stand.subscribed()
    assert stand.buses() == [Bus(Connection(7, 1), "new")]


@check("SER-10")
def new_is_said_until_the_node_status_of_that_connection_has_come(gateway: type[GatewayLine]) -> None:
    stand = Stand(gateway)
    stand.here(7, 2)
    stand.take_said()
    stand.subscribed()
    for boot, link, extra in ((7, 1, {}), (6, 2, {}), (7, 2, {"state": "off"})):
        stand.message("node-status", status_payload(boot, link, **extra))
    stand.here(7, 2, wants=False)
    stand.passes(1100)
    states = [bus.state for bus in stand.buses()]
    assert set(states) == {"new"}
    assert len(states) >= 2
    assert published(stand.take_done()) == []
    stand.status(7, 2)
    stand.passes(1100)
    assert {bus.state for bus in stand.buses()} == {"on"}


@check("SER-10")
def a_connection_that_is_not_known_is_not_there(gateway: type[GatewayLine]) -> None:
    """The gateway has been restarted, and the board speaks of what it had."""
    stand = Stand(gateway)
    stand.here(7, 4, wants=False)
    assert stand.buses() == [Bus(Connection(7, 4), "off")]
    stand.message("fault", FAULT)
    assert stand.take_done() == []


@check("SER-10")
def the_bus_that_goes_is_told_at_once_and_the_board_asks_again_later(gateway: type[GatewayLine]) -> None:
    stand = Stand(gateway)
    stand.up(7, 1)
    stand.lost()
    assert stand.buses() == [Bus(Connection(7, 1), "off")]
    stand.here(7, 2)
    assert openings(stand.take_done()) == [], "LNK-10: 500 ms at least"
    for _ in range(20):
        stand.passes(500)
        stand.here(7, 2)
    assert {opening.connection for opening in openings(stand.take_done())} == {Connection(7, 2)}


@check("SER-10")
def bus_is_said_again_and_again(gateway: type[GatewayLine]) -> None:
    stand = Stand(gateway)
    stand.up()
    times = []
    for _ in range(30):
        stand.passes(100)
        stand.here(7, 1, wants=False)
        times += [stand.now_ms for _ in stand.buses()]
    gaps = [later - earlier for earlier, later in itertools.pairwise(times)]
    assert gaps
    assert all(250 <= gap <= 1000 for gap in gaps), gaps


@check("SER-11")
def payloads_pass_unchanged_with_their_flags(gateway: type[GatewayLine]) -> None:
    stand = Stand(gateway)
    stand.here(7, 1)
    stand.subscribed()
    status = stand.status(7, 1)
    odd = b"\xa1\x00\x19\x00\x07"  # Not deterministic: it is the node's fault, and is seen as it is.
    for name in ("train-arrival", "shuttle-status", "crane-status", "fault", "job-report"):
        stand.message(name, odd)
    told = [(one.topic.rpartition("/")[2], one.payload, one.retain) for one in published(stand.take_done())]
    assert told[0] == ("node-status", status, True)
    assert [(name, retain) for name, _, retain in told[1:]] == [
        ("train-arrival", True), ("shuttle-status", True), ("crane-status", True), ("fault", True),
        ("job-report", False),
    ]  # fmt: skip
    assert {payload for _, payload, _ in told[1:]} == {odd}


@check("SER-11")
def nothing_passes_before_the_node_status(gateway: type[GatewayLine]) -> None:
    stand = Stand(gateway)
    stand.message("fault", FAULT)
    stand.here(7, 1)
    stand.message("fault", FAULT)
    stand.subscribed()
    stand.message("fault", FAULT)
    assert published(stand.take_done()) == []


@check("SER-11")
def orders_pass_once_each_of_its_kind(gateway: type[GatewayLine]) -> None:
    stand = Stand(gateway)
    stand.up()
    stand.order(ASK)
    stand.order(HOLD, "all")
    frames = [frame for frame in stand.take_said() if frame.kind != KINDS["bus"].number]
    wanted = [Frame(KINDS["job-order"].number, ASK), Frame(KINDS["job-order-to-all"].number, HOLD)]
    assert frames == wanted
    stand.passes(3000)
    assert [frame for frame in stand.take_said() if frame.kind != KINDS["bus"].number] == []


@check("SER-11")
def retained_orders_and_long_ones_do_not_pass(gateway: type[GatewayLine]) -> None:
    stand = Stand(gateway)
    stand.up()
    stand.order(ASK, retain=True)
    stand.order(b"{" + b" " * 125)
    assert [frame for frame in stand.take_said() if frame.kind != KINDS["bus"].number] == []


@check("SER-11")
def an_order_that_waits_when_the_bus_goes_never_comes(gateway: type[GatewayLine]) -> None:
    stand = Stand(lambda admit: gateway(admit, rate=300))  # type: ignore[arg-type]
    stand.up()
    stand.passes(5000)
    stand.here(7, 1)
    stand.passes(SOONEST_MS)
    stand.up(8, 1)
    stand.passes(2000)
    stand.take_said()
    for _ in range(4):
        stand.order(ASK)
    stand.lost()
    stand.passes(20_000)
    orders = [frame for frame in stand.take_said() if frame.kind == KINDS["job-order"].number]
    assert len(orders) <= 1, "what was on the line when the bus went may come; what waited may not"


@check("SER-11")
def what_comes_before_the_subscription_stands_waits_behind_new(gateway: type[GatewayLine]) -> None:
    stand = Stand(gateway)
    stand.here(7, 1)
    stand.take_said()
    stand.order(HOLD)
    assert stand.take_said() == []
    stand.subscribed()
    assert [frame.kind for frame in stand.take_said()] == [KINDS["bus"].number, KINDS["job-order"].number]
