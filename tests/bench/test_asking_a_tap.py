"""What a tap answers and does by itself, with a broker that is nothing but an open port."""

from __future__ import annotations

import asyncio
import socket
import threading
from collections.abc import Iterator

import pytest

from conformance.bench.tap.attribution import NodeSignature
from conformance.bench.tap.tap import Tap, monotonic_us
from protocol.trouble import Trouble
from protocol.wire.evidence import ClosedBy, Direction
from protocol.wire.packet import Kind
from tests.bench.tap_traffic import TIMEOUT, closed
from tests.bench.wire import PINGREQ, Wire, connect, subscribe

NODE = NodeSignature("harlow-basin", "ferry")
WILL = ("yw1/harlow-basin/ferry/node-status", b"", 1, True)


@pytest.fixture
def port() -> Iterator[int]:
    """Where every connection is accepted and nothing is ever said."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        yield server.getsockname()[1]


def came(tap: Tap, count: int = 1) -> bool:
    return tap.wait_for(lambda packet: packet.number >= count, TIMEOUT) is not None


def impeded(tap: Tap) -> bool:
    return tap.is_impeded


def test_microseconds_go_on_by_themselves(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("time.monotonic_ns", lambda: 2_999_999)
    assert monotonic_us() == 2_999


def test_where_nobody_asks_who_it_is_everybody_is_the_node(port: int) -> None:
    with Tap("127.0.0.1", port) as tap, Wire(tap.port) as one, Wire(tap.port) as two:
        assert (tap.conflict, tap.others(), tap.strangers(), tap.claims(), tap.signature) == (
            "",
            [],
            {},
            {},
            None,
        )
        assert (tap.line, tap.settle_for_best(), tap.host) == (None, True, "127.0.0.1")
        tap.expect("watch")
        for wire in (one, two):
            wire.send(PINGREQ)
        assert came(tap, 2)
        newest = tap.newest_connection()
        assert newest is not None
        assert (newest.number, len(tap.connections)) == (2, 2)


def test_what_is_the_node_s_is_told_from_what_is_others(port: int) -> None:
    with Tap("127.0.0.1", port, node=NODE) as tap, Wire(tap.port) as stranger:
        assert tap.signature is NODE
        assert tap.newest_connection() is None
        assert not tap.settle_for_best()
        stranger.send(connect("visitor"), subscribe("yw1/other/x/job-order", 1))
        with Wire(tap.port) as node:
            node.send(connect("esp", will=WILL))
            assert came(tap)
            newest = tap.newest_connection()
            assert newest is not None
            number = newest.number
            with Wire(tap.port) as last:
                last.send(connect("watch"))
                assert {one.number for one in tap.connections} >= {number}
                deadline = threading.Event()
                for _ in range(500):
                    if len(tap.strangers()) == 2:
                        break
                    deadline.wait(0.01)
                assert tap.strangers() == {"visitor": 1, "watch": 1}
                tap.expect("watch")
                assert tap.strangers() == {"visitor": 1}
                assert tap.claims() == {"visitor": "yw1/other/x/job-order"}
                assert tap.others() == [
                    "1 other client came to the tap ('visitor'; 1 connection): let through, and not judged"
                ]
                assert tap.newest_connection() == newest
                ends = tap._thread.run(tap.ends_of_newest)
                assert ends is not None
                assert ends == (number, ("127.0.0.1", tap.port), node.sock.getsockname())
                tap.cut()
                assert node.closed_within(TIMEOUT)
                last.send(PINGREQ)
                with pytest.raises(TimeoutError):
                    last.receive(0.05)
        assert tap.wait_for_connection(closed(number), TIMEOUT)
        for _ in range(500):
            if tap._thread.run(tap.ends_of_newest) is None:
                break
            threading.Event().wait(0.01)
        assert tap._thread.run(tap.ends_of_newest) is None
        assert tap.connections[number - 1].closed_by is ClosedBy.TAP
        assert {packet.connection for packet in tap.evidence} == {number}


def test_a_tap_that_delays_or_throttles_is_impeded(port: int) -> None:
    with Tap("127.0.0.1", port) as tap:
        assert not impeded(tap)
        for way in Direction:
            tap.delay(way, 5)
            assert impeded(tap)
            assert tap._setting.delay[way] == 0.005
            tap.delay(way, 0)
            assert not impeded(tap)
            tap.throttle(way, 2.5)
            assert impeded(tap)
            assert tap._setting.gap[way] == 0.0025
            tap.throttle(way, 0)
            assert not impeded(tap)


def test_work_beside_it_runs_until_it_is_ended_or_the_tap_ends(port: int) -> None:
    ended: list[str] = []

    def work(name: str) -> object:
        async def run() -> None:
            started.set()
            try:
                await asyncio.Event().wait()
            finally:
                ended.append(name)

        return run

    with Tap("127.0.0.1", port) as tap:
        for name in ("first", "second"):
            started = threading.Event()
            end = tap.run_beside(work(name))  # type: ignore[arg-type]
            assert started.wait(TIMEOUT)
            if name == "first":
                end()
                tap._thread.run(lambda: None)
                tap._thread.run(lambda: None)
                assert ended == ["first"]
    assert ended == ["first", "second"]


@pytest.mark.parametrize(("besides", "raised"), [(None, ZeroDivisionError), (KeyError("own"), KeyError)])
def test_what_a_case_s_rule_does_wrong_is_raised_at_the_end_unless_something_else_is(
    port: int, besides: Exception | None, raised: type[Exception]
) -> None:
    def case() -> None:
        with Tap("127.0.0.1", port) as tap, Wire(tap.port) as node:
            tap.drop(lambda _packet: 1 // 0 == 0)
            node.send(PINGREQ)
            assert node.closed_within(TIMEOUT)
            if besides is not None:
                raise besides

    with pytest.raises(raised):
        case()


def test_a_refused_node_was_closed_by_the_tap_and_has_no_relay(port: int) -> None:
    with Tap("127.0.0.1", port) as tap:
        tap.refuse()
        try:
            with Wire(tap.port) as node:
                assert node.closed_within(TIMEOUT)
        except ConnectionResetError:
            pass
        assert tap.wait_for_connection(closed(1), TIMEOUT)
        [one] = tap.connections
        assert one.closed_by is ClosedBy.TAP
        with pytest.raises(Trouble, match="not connected to the tap") as told:
            tap.inject(Direction.TO_NODE, PINGREQ)
        assert told.value.where == f"127.0.0.1:{tap.port}"


def test_the_newest_connection_is_spoken_on(port: int) -> None:
    with Tap("127.0.0.1", port) as tap, Wire(tap.port) as old:
        old.send(PINGREQ)
        assert came(tap)
        with Wire(tap.port) as new:
            new.send(PINGREQ)
            assert came(tap, 2)
            tap.inject(Direction.TO_NODE, b"\xd0\x00")
            assert new.receive().kind is Kind.PINGRESP
            with pytest.raises(TimeoutError):
                old.receive(0.05)


def test_of_a_connection_that_is_over_nothing_is_kept_but_evidence(port: int) -> None:
    with Tap("127.0.0.1", port) as tap:
        for number in (1, 2):
            with Wire(tap.port) as node:
                node.send(PINGREQ)
                assert came(tap, number)
            assert tap.wait_for_connection(closed(number), TIMEOUT)
        for _ in range(500):
            if not tap._serving:
                break
            threading.Event().wait(0.01)
        assert (tap._serving, tap._relays) == (set(), {})
        with pytest.raises(Trouble, match="not connected to the tap"):
            tap.inject(Direction.TO_NODE, PINGREQ)
        assert len(tap.evidence) == 2


def test_the_port_is_free_again_behind_a_tap(port: int) -> None:
    with Tap("127.0.0.1", port) as tap:
        taken = tap.port
        assert taken
    with Tap("127.0.0.1", port, port=taken) as again, Wire(again.port) as node:
        node.send(PINGREQ)
        assert came(again)
    with pytest.raises(OSError, match=r"refused|reset"):
        socket.create_connection(("127.0.0.1", taken), TIMEOUT)


@pytest.mark.skipif(not socket.has_ipv6, reason="no IPv6 here")
def test_an_address_of_version_6_is_listened_at(port: int) -> None:
    with (
        Tap("127.0.0.1", port, bind="::1") as tap,
        socket.create_connection(("::1", tap.port), TIMEOUT) as node,
    ):
        node.sendall(PINGREQ)
        assert came(tap)
