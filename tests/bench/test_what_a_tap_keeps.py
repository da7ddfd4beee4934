"""The log of a tap, its rules, and the wait for a board: without a socket, on a clock of their own."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from types import SimpleNamespace
from typing import Any

import pytest

from conformance.bench.tap import arrival
from conformance.bench.tap.arrival import LOOK_S, SAID_EVERY_S, WAIT_S, seldom, wait_for_node
from conformance.bench.tap.attribution import Attribution, NodeSignature
from conformance.bench.tap.rules import Rule, RuleSet
from conformance.bench.tap.traffic_log import TrafficLog
from protocol.trouble import Trouble
from protocol.wire.evidence import ClosedBy, Direction, Fate, LinkPacket
from protocol.wire.packet import Connect, Kind, Packet, Ping, Publish, Will

SIGNATURE = NodeSignature("harlow-basin", "ferry")
WILL = Will("yw1/harlow-basin/ferry/node-status", b"", 1, True)


def link(packet: Packet | None = None, connection: int = 1, *, at_us: int = 0) -> LinkPacket:
    return LinkPacket(0, connection, Direction.FROM_NODE, at_us, packet or Ping(Kind.PINGREQ))


def connect(name: str, will: Will | None = None) -> Connect:
    return Connect("MQTT", 4, name, True, 10, will, None, None)


# ---------------------------------------------------------------- the log
def test_packets_are_numbered_as_they_are_entered() -> None:
    log = TrafficLog()
    assert [log.record(link()).number for _ in range(3)] == [1, 2, 3]
    assert [one.number for one in log.packets()] == [1, 2, 3]
    log.packets().clear()
    assert len(log.packets()) == 3, "it was a copy"


@pytest.mark.parametrize(("keep", "left"), [(0, []), (1, [3]), (2, [2, 3]), (3, [1, 2, 3]), (9, [1, 2, 3])])
def test_the_oldest_are_forgotten_and_numbers_stay(keep: int, left: list[int]) -> None:
    log = TrafficLog()
    for _ in range(3):
        log.record(link())
    log.forget(keep)
    assert [one.number for one in log.packets()] == left
    assert log.record(link()).number == 4
    assert [one.number for one in log.packets()] == [*left, 4]
    for after, found in ((3, 4), (4, None), (0, (left or [4])[0])):
        seen = log.wait_for(lambda _one: True, 0.0, after)
        assert (seen.number if seen else None) == found
    log.forget(1)
    assert log.record(link()).number == 5


def test_who_listens_is_told_of_those_so_far_and_of_all_that_come() -> None:
    log, heard = TrafficLog(), list[int]()
    log.record(link())
    log.record(link())
    log.listen(lambda one: heard.append(one.number))
    assert heard == [1, 2]
    log.record(link())
    assert heard == [1, 2, 3]


def test_the_first_packet_that_is_wanted_is_found() -> None:
    log = TrafficLog()
    for connection in (1, 2, 2):
        log.record(link(connection=connection))
    for after, number in ((0, 2), (1, 2), (2, 3), (3, None)):
        found = log.wait_for(lambda one: one.connection == 2, 0.0, after)
        assert (found.number if found else None) == number
    assert log.wait_for(lambda one: one.connection == 3, 0.0, 0) is None


def test_a_connection_ends_once_and_by_who_ended_it_first() -> None:
    log = TrafficLog()
    assert [log.opened(5), log.opened(6)] == [1, 2]
    log.closed(2, 8, ClosedBy.NODE)
    log.closed(2, 9, ClosedBy.BROKER)
    first, second = log.connections()
    assert (first.number, first.opened_us, first.closed_us, first.closed_by) == (1, 5, None, None)
    assert (second.opened_us, second.closed_us, second.closed_by) == (6, 8, ClosedBy.NODE)
    assert log.wait_for_connection(lambda one: one.closed_us == 8, 0.0) == second
    assert log.wait_for_connection(lambda one: one.closed_us == 9, 0.0) is None
    log.connections().clear()
    assert len(log.connections()) == 2


def test_an_error_is_kept_for_who_waits_and_raised_once(monkeypatch: pytest.MonkeyPatch) -> None:
    stopped: list[BaseException] = []
    monkeypatch.setattr("conformance.bench.tap.traffic_log.fail", stopped.append)
    log = TrafficLog()
    log.raise_error()
    first, second = ValueError("first"), ValueError("second")
    log.fail(first)
    log.fail(second)
    assert stopped == [first, second]
    with pytest.raises(ValueError, match="first"):
        log.wait_for(lambda _one: True, 60.0, 0)
    log.raise_error()
    log.fail(second)
    with pytest.raises(ValueError, match="second"):
        log.wait_for_connection(lambda _one: True, 60.0)


def test_with_an_attribution_only_the_node_s_packets_are_entered() -> None:
    log = TrafficLog(Attribution(SIGNATURE))
    stranger, node = log.opened(1, "10.0.0.1"), log.opened(2, "10.0.0.2")
    log.record(link(connect("visitor"), stranger))
    assert log.packets() == []
    log.record(link(connect("board", WILL), node))
    log.record(link(connection=node))
    assert [(one.number, one.connection) for one in log.packets()] == [(1, node), (2, node)]
    assert log.settle_for_best()
    log.closed(stranger, 9, ClosedBy.NODE)


def test_the_likeliest_is_taken_where_none_is_certain() -> None:
    assert TrafficLog().settle_for_best(), "all is the node's where nobody asks"
    log = TrafficLog(Attribution(SIGNATURE))
    assert not log.settle_for_best()
    number = log.opened(1)
    log.record(link(connect("board"), number))
    assert not log.settle_for_best(), "it has shown nothing of the node"
    log.record(link(Publish("yw1/harlow-basin/ferry/fault", b"{}", 0, True, False, None), number))
    assert log.packets() == []
    assert log.settle_for_best()
    assert [one.number for one in log.packets()] == [1, 2]


# ---------------------------------------------------------------- rules
def test_the_first_rule_that_matches_decides_and_ends_behind_its_limit() -> None:
    rules = RuleSet()
    lost = rules.add(Rule(lambda one: one.connection == 1, Fate.DROPPED, 2))
    rules.add(Rule(lambda one: one.connection < 3, Fate.INJECTED))
    fates = [rules.judge(link(connection=number), lambda: None) for number in (1, 2, 1, 1, 3)]
    assert fates == [Fate.DROPPED, Fate.INJECTED, Fate.DROPPED, Fate.INJECTED, Fate.FORWARDED]
    assert lost.matched == 2


@pytest.mark.parametrize("send", [True, False])
def test_what_a_rule_holds_is_sent_or_lost_when_it_ends(send: bool) -> None:
    rules, sent = RuleSet(), list[int]()
    one, other = (rules.add(Rule(lambda p, n=n: p.connection == n, Fate.HELD)) for n in (1, 2))  # type: ignore[misc]
    for at_us, connection in enumerate((1, 2, 1)):
        fate = rules.judge(link(connection=connection, at_us=at_us), lambda at=at_us: sent.append(at))  # type: ignore[misc]
        assert fate is Fate.HELD
    assert [packet.at_us for packet in rules.held(one)] == [0, 2]
    rules.end(one, send=send)
    assert (sent, rules.held(one), len(rules.held(other))) == ([0, 2] if send else [], [], 1)
    assert rules.judge(link(connection=1), lambda: None) is Fate.FORWARDED
    rules.end(one, send=True)
    assert sent == ([0, 2] if send else [])
    assert rules.judge(link(connection=2), lambda: None) is Fate.HELD


# ---------------------------------------------------------------- waiting for a board
@dataclass
class Tap:
    """What the wait looks at; each look takes its time on the clock of this test."""

    comes_s: float = 1e9
    best: bool = False
    connections: list[int] = field(default_factory=list)
    others: dict[str, int] = field(default_factory=dict)
    claimed: dict[str, str] = field(default_factory=dict)
    line: Any = None
    signature: NodeSignature | None = SIGNATURE
    host: str = "10.0.0.1"
    port: int = 18_830
    now: float = 100.0
    looks: list[float] = field(default_factory=list)

    def wait_for(self, _wanted: Callable[[LinkPacket], bool], timeout: float) -> bool:
        self.now += timeout
        self.looks.append(timeout)
        return self.now - 100.0 >= self.comes_s

    def settle_for_best(self) -> bool:
        return self.best

    def strangers(self) -> dict[str, int]:
        return self.others

    def claims(self) -> dict[str, str]:
        return self.claimed


def waited(monkeypatch: pytest.MonkeyPatch, tap: Tap, **more: Any) -> list[str]:
    """What is told while it is waited for."""
    told: list[str] = []
    monkeypatch.setattr(arrival, "time", SimpleNamespace(monotonic=lambda: tap.now))
    wait_for_node(tap, "ferry", told.append, **more)  # type: ignore[arg-type]
    return told


def trouble(monkeypatch: pytest.MonkeyPatch, tap: Tap, **more: Any) -> Trouble:
    with pytest.raises(Trouble) as found:
        waited(monkeypatch, tap, **more)
    return found.value


def test_a_board_that_comes_is_waited_for_no_longer(monkeypatch: pytest.MonkeyPatch) -> None:
    tap = Tap(comes_s=0.05)
    assert waited(monkeypatch, tap) == []
    tap = Tap(comes_s=2.95)
    told = waited(monkeypatch, tap)
    assert told[0] == "waiting for ferry at 10.0.0.1, port 18830: 0 of 30 s"
    assert told[-1] == "waiting for ferry at 10.0.0.1, port 18830: 3 of 30 s"
    assert set(tap.looks) == {LOOK_S}
    assert len(tap.looks) == 30


@pytest.mark.parametrize("slow", [1.0, 2.0])
def test_one_that_does_not_come_is_trouble_after_a_while(
    monkeypatch: pytest.MonkeyPatch, slow: float
) -> None:
    tap = Tap()
    found = trouble(monkeypatch, tap, slow=slow)
    assert found.what == f"nothing connected within {WAIT_S * slow:.0f} s"
    assert found.where == "10.0.0.1:18830"
    assert WAIT_S * slow <= tap.now - 100.0 < WAIT_S * slow + 2 * LOOK_S
    likely = Tap(best=True)
    assert waited(monkeypatch, likely, slow=slow)


def test_a_program_that_has_ended_is_not_waited_for(monkeypatch: pytest.MonkeyPatch) -> None:
    tap = Tap()
    assert "ferry did not connect: exit 2" in str(trouble(monkeypatch, tap, failure=lambda: "exit 2"))
    assert len(tap.looks) == 1


def test_who_else_came_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    for count, said in ((1, "1 other client came ('c0')"), (4, "4 other clients came ('c0', 'c1', 'c2')")):
        tap = Tap(comes_s=0.15, others={f"c{n}": 1 for n in range(count)})
        assert waited(monkeypatch, tap) == [f"waiting for ferry at 10.0.0.1, port 18830: 0 of 30 s; {said}"]
        tap = Tap(connections=[1], others=tap.others)
        assert f"ferry did not connect within 30 s: {said}" in str(trouble(monkeypatch, tap))
    silent = Tap(connections=[1, 2])
    assert "2 connections spoke no MQTT" in str(trouble(monkeypatch, silent))


@pytest.mark.parametrize(
    ("topic", "said"),
    [
        ("yw2/harlow-basin/ferry/node-status", "speaks protocol 'yw2', and this kit judges 'yw1'"),
        ("yw1/another/ferry/node-status", "belongs to the site 'another', and 'harlow-basin' was asked for"),
        ("yw1/harlow-basin/north/node-status", "calls itself 'north', and 'ferry' was asked for"),
        ("yw1/harlow-basin/ferry/node-status", ""),
        ("home/harlow-basin/north/lamp", ""),
        ("yw2/harlow-basin", ""),
        ("yw1//north", ""),
    ],
)
def test_a_board_that_says_that_it_is_another_is_named(
    monkeypatch: pytest.MonkeyPatch, topic: str, said: str
) -> None:
    tap = Tap(connections=[1], others={"b": 1}, claimed={"b": topic})
    found = str(trouble(monkeypatch, tap))
    assert (f"a board came (client identifier 'b') that {said}" in found) is bool(said)
    assert ("ferry did not connect within 30 s" in found) is (not said)
    unsigned = Tap(connections=[1], others={"b": 1}, claimed={"b": topic}, signature=None)
    assert "a board came" not in str(trouble(monkeypatch, unsigned))


@dataclass
class Here:
    """What a board says over its line."""

    wants: bool = True
    site: str = "harlow-basin"
    name: str = "north"


def frame(here: Here | None = None, *, from_node: bool = True, whole: bool = True) -> SimpleNamespace:
    return SimpleNamespace(here=here, from_node=from_node, frame=b"x" if whole else None)


@pytest.mark.parametrize(
    ("trouble_", "octets", "frames", "said"),
    [
        ("no such file", 9, [frame(Here())], "the port is not there: no such file"),
        ("", 0, [], "nothing came over the line"),
        ("", 1_500, [], "1,500 bytes came, with 0 whole frames among them, and none asked for a connection"),
        (
            "",
            9,
            [frame(), frame(whole=False), frame(from_node=False)],
            "9 bytes came, with 1 whole frames among them",
        ),
        ("", 9, [frame(Here())], "a board there calls itself 'harlow-basin/north'"),
        (
            "",
            9,
            [frame(Here(name="old")), frame(Here()), frame()],
            "a board there calls itself 'harlow-basin/north'",
        ),
        ("", 9, [frame(Here()), frame(Here(wants=False))], "9 bytes came, with 2 whole frames"),
        ("", 9, [frame(Here(), from_node=False)], "9 bytes came, with 0 whole frames"),
    ],
)
def test_what_a_line_has_brought_is_told(
    monkeypatch: pytest.MonkeyPatch, trouble_: str, octets: int, frames: list[Any], said: str
) -> None:
    line = SimpleNamespace(
        trouble=trouble_, port="/dev/ttyX", log=SimpleNamespace(octets=octets, frames=frames)
    )
    assert f"ferry was not heard within 30 s: {said}" in str(trouble(monkeypatch, Tap(line=line)))
    [told] = waited(monkeypatch, Tap(comes_s=0.15, line=line))
    assert told.startswith(f"waiting for ferry on /dev/ttyX: 0 of 30 s; {said}")


def test_a_line_that_is_told_seldom_is_told_at_most_so_often(monkeypatch: pytest.MonkeyPatch) -> None:
    now = [50.0]
    monkeypatch.setattr(arrival, "time", SimpleNamespace(monotonic=lambda: now[0]))
    told: list[str] = []
    tell = seldom(told.append)
    for after in (0.0, SAID_EVERY_S - 0.5, SAID_EVERY_S, 2 * SAID_EVERY_S - 0.5, 2 * SAID_EVERY_S):
        now[0] = 50.0 + after
        tell(f"{after}")
    assert told == [f"{SAID_EVERY_S}", f"{2 * SAID_EVERY_S}"]
