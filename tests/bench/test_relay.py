"""One connection through the tap, both sides played by hand on a clock that jumps: what goes on, when, and as what."""

from __future__ import annotations

import asyncio
from typing import Any, cast

import pytest

from conformance.bench.tap import relay as module
from conformance.bench.tap.rules import Rule
from protocol.wire.evidence import ClosedBy, Direction, Fate, LinkPacket
from protocol.wire.packet import Connack, Connect, Kind, Unreadable
from tests.bench.jumping_loop import played
from tests.bench.linked import DOWN, PINGRESP, UP, Link, linked, soon
from tests.bench.tap_traffic import publishes
from tests.bench.wire import PINGREQ, connect, publish


# ---------------------------------------------------------------- what passes
def test_packets_pass_both_ways_and_are_evidence() -> None:
    async def story() -> None:
        link = Link(number=3)
        link.node.say(connect("ferry", level=5), PINGREQ[:1])
        link.broker.say(b"\x20\x03\x00\x00\x00")
        await soon()
        assert link.broker.heard == connect("ferry", level=5), "half a packet waits for its end"
        assert link.node.heard == b"\x20\x03\x00\x00\x00"
        link.node.say(PINGREQ[1:])
        await soon()
        assert link.broker.heard.endswith(PINGREQ)
        packets = link.log.packets()
        assert [one.direction for one in packets].count(UP) == 2
        assert {one.connection for one in packets} == {3}
        assert set(link.fates) == {Fate.FORWARDED}
        assert [type(one.packet) for one in packets[:2]] in ([Connect, Connack], [Connack, Connect])
        assert not link.relay.left
        assert link.closed_by is None
        link.running.cancel()
        await asyncio.gather(link.running, return_exceptions=True)

    played(story())


def test_the_version_is_that_of_the_connect() -> None:
    async def story(link: Link) -> None:
        link.node.say(connect("ferry", level=5))
        await soon()
        link.broker.say(publish("x", b"\x00body"))
        await soon()
        told = link.log.packets()[-1].packet
        assert (told.kind, getattr(told, "payload", b"")) == (Kind.PUBLISH, b"body"), (
            "no properties, then the body"
        )

    linked(story)


def test_from_where_the_bytes_are_no_packet_they_pass_as_they_are() -> None:
    async def story(link: Link) -> None:
        link.node.say(PINGREQ, b"\x30\xff\xff\xff\xff\x01junk")
        await soon()
        link.node.say(PINGREQ)
        await soon()
        first, junk, behind = link.log.packets()
        assert (first.raw, junk.raw, behind.raw) == (PINGREQ, b"\x30\xff\xff\xff\xff\x01junk", PINGREQ)
        assert isinstance(junk.packet, Unreadable)
        assert "does not end within four bytes" in junk.packet.reason
        assert behind.packet == Unreadable("behind bytes that are not a packet")
        assert link.broker.heard == first.raw + junk.raw + behind.raw
        link.node.end()
        await soon()
        assert len(link.log.packets()) == 3

    linked(story)


def test_half_a_packet_at_the_end_passes_and_is_told() -> None:
    async def story(link: Link) -> None:
        link.broker.say(PINGRESP, PINGRESP[:1])
        link.broker.end()
        await soon()
        assert link.log.packets()[-1].packet == Unreadable("the stream ends within a packet")
        assert link.node.heard == PINGRESP + PINGRESP[:1]

    linked(story)


def test_a_packet_that_is_too_long_is_no_packet(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "LONGEST_PACKET", 20)

    async def story(link: Link) -> None:
        for size in (15, 16):
            link.node.say(publish("x", bytes(size)))
        await soon()
        fits, not_any_more = link.log.packets()
        assert len(fits.raw) == 20
        assert isinstance(not_any_more.packet, Unreadable)
        assert link.broker.heard == fits.raw + not_any_more.raw

    linked(story)


# ---------------------------------------------------------------- when
@pytest.mark.parametrize(("way", "at_ms"), [(UP, [0, 0]), (DOWN, [1_500, 1_500])])
def test_a_delay_is_on_the_broker_s_side_of_the_evidence(way: Direction, at_ms: list[int]) -> None:
    async def story(link: Link) -> None:
        link.setting.delay[way] = 1.5
        near, far = (link.node, link.broker) if way is UP else (link.broker, link.node)
        near.say(publish("x", b"1"), publish("x", b"2"))
        await asyncio.sleep(1.499)
        assert far.got == []
        await asyncio.sleep(0.002)
        assert far.heard == publish("x", b"1") + publish("x", b"2")
        assert [round(at, 3) for at, _ in far.got] == [1.5, 1.5]
        assert link.times == at_ms

    linked(story)


def test_byte_by_byte_a_packet_takes_its_time_and_nothing_gets_between() -> None:
    async def story(link: Link) -> None:
        slow = publish("x", b"slow")
        link.setting.gap[DOWN] = 0.25
        link.broker.say(slow)
        await asyncio.sleep(0.3)
        assert link.node.heard == slow[:2]
        assert link.times == [0], "as soon as its first byte has gone"
        link.relay.inject(DOWN, PINGRESP)
        assert link.node.heard == slow[:2]
        await asyncio.sleep(10)
        assert link.node.heard == slow + PINGRESP
        assert link.node.got[-1][1] == slow[-1:] + PINGRESP
        assert [round(at, 2) for at, _ in link.node.got] == [0.25 * n for n in range(len(slow))]
        assert link.fates == [Fate.FORWARDED, Fate.INJECTED]
        assert link.node.did == ["drain"]
        link.relay.inject(DOWN, PINGRESP)
        assert link.node.got[-1][1] == PINGRESP, "with nothing under way it goes at once"

    linked(story)


def test_a_gap_that_is_taken_off_lets_the_rest_go_whole() -> None:
    async def story(link: Link) -> None:
        raw = publish("x", b"slow")
        link.setting.gap[UP] = 0.5
        link.node.say(raw)
        await asyncio.sleep(0.6)
        link.setting.gap[UP] = 0.0
        await asyncio.sleep(0.5)
        assert [one for _, one in link.broker.got] == [raw[:1], raw[1:2], raw[2:]]

    linked(story)


# ---------------------------------------------------------------- what rules and listeners do
@pytest.mark.parametrize("way", [UP, DOWN])
def test_what_is_lost_does_not_pass_and_is_evidence(way: Direction) -> None:
    async def story(link: Link) -> None:
        link.rules.add(Rule(publishes, Fate.DROPPED, 1))
        near, far = (link.node, link.broker) if way is UP else (link.broker, link.node)
        near.say(publish("x", b"1"), publish("x", b"2"))
        await soon()
        assert far.heard == publish("x", b"2")
        assert link.fates == [Fate.DROPPED, Fate.FORWARDED]

    linked(story)


def test_what_is_held_for_the_node_is_evidence_when_it_goes() -> None:
    async def story(link: Link) -> None:
        rule = link.rules.add(Rule(publishes, Fate.HELD))
        link.broker.say(publish("x", b"1"))
        await asyncio.sleep(2)
        assert (link.node.got, link.fates) == ([], [])
        assert [one.number for one in link.rules.held(rule)] == [0], "it has no number before it is evidence"
        link.rules.end(rule, send=True)
        assert (link.node.heard, link.fates, link.times) == (publish("x", b"1"), [Fate.FORWARDED], [2_000])

    linked(story)


def test_what_is_held_of_the_node_is_evidence_when_it_comes() -> None:
    async def story(link: Link) -> None:
        rule = link.rules.add(Rule(publishes, Fate.HELD))
        link.node.say(publish("x", b"1"))
        await asyncio.sleep(2)
        assert (link.broker.got, link.fates) == ([], [Fate.HELD])
        link.rules.end(rule, send=True)
        assert (link.broker.heard, link.fates, link.times) == (publish("x", b"1"), [Fate.HELD], [0])

    linked(story)


@pytest.mark.parametrize("how", ["cut", "over"])
def test_what_is_held_is_lost_with_its_connection(how: str) -> None:
    async def story(link: Link) -> None:
        rule = link.rules.add(Rule(publishes, Fate.HELD))
        link.broker.say(publish("x", b"1"))
        await soon()
        if how == "cut":
            link.relay.cut()
        else:
            link.node.end()
            await soon()
        link.rules.end(rule, send=True)
        assert (link.node.got, link.fates) == ([], [])

    linked(story)


def test_a_connection_that_is_not_the_node_s_is_none_of_the_rules_business() -> None:
    async def story(link: Link) -> None:
        asked: list[int] = []
        link.rules.add(Rule(lambda _packet: True, Fate.DROPPED))

        def is_judged(number: int) -> bool:
            asked.append(number)
            return False

        link.setting.is_judged = is_judged
        link.node.say(PINGREQ)
        await soon()
        assert (link.broker.heard, link.fates, asked) == (PINGREQ, [Fate.FORWARDED], [1])

    linked(story)


@pytest.mark.parametrize("who", ["rule", "listener"])
@pytest.mark.parametrize("way", [UP, DOWN])
def test_a_case_s_code_that_fails_cuts_the_connection_and_is_heard_of(
    who: str, way: Direction, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("conformance.bench.tap.traffic_log.fail", lambda _error: None)

    def fails(_packet: LinkPacket) -> bool:
        raise ZeroDivisionError

    async def story(link: Link) -> None:
        if who == "rule":
            link.rules.add(Rule(fails, Fate.DROPPED))
        else:
            link.log.listen(cast("Any", fails))
        near, far = (link.node, link.broker) if way is UP else (link.broker, link.node)
        near.say(PINGREQ)
        await soon()
        assert far.got == [] or (who, way) == ("listener", DOWN), "to the node it is entered once it has gone"
        assert link.closed_by is ClosedBy.TAP
        assert "reset" in link.node.did
        assert "abort" in link.broker.did
        with pytest.raises(ZeroDivisionError):
            link.log.raise_error()

    linked(story)


def test_what_the_node_takes_no_more_is_dropped() -> None:
    async def story(link: Link) -> None:
        link.node.deaf = True
        link.broker.say(publish("x", b"1"))
        await soon()
        link.relay.inject(DOWN, PINGRESP)
        assert link.fates == [Fate.DROPPED, Fate.DROPPED]
        link.relay.inject(UP, PINGREQ)
        assert (link.fates[-1], link.broker.heard) == (Fate.INJECTED, PINGREQ)
        link.broker.did.append("close")
        link.relay.inject(UP, PINGREQ)
        assert link.broker.heard == PINGREQ, "a side that is closing is written nothing"

    linked(story)
