"""How a connection through the tap ends: who closed it, who is waited for, and what is reset."""

from __future__ import annotations

import asyncio
from typing import cast

import pytest

from conformance.bench.tap import relay as module
from conformance.bench.tap.relay import reset
from conformance.bench.tap.rules import Rule
from protocol.wire.evidence import ClosedBy, Direction, Fate
from protocol.wire.packet import Unreadable
from tests.bench.jumping_loop import played
from tests.bench.linked import DOWN, UP, Link, Side, linked, soon
from tests.bench.wire import PINGREQ, publish


@pytest.mark.parametrize("way", [UP, DOWN])
def test_who_closes_first_has_closed_it_and_the_other_is_given_a_second(way: Direction) -> None:
    async def story(link: Link) -> None:
        first, other = (link.node, link.broker) if way is UP else (link.broker, link.node)
        first.say(PINGREQ)
        first.end()
        await soon()
        assert other.heard == PINGREQ
        assert other.did == ["drain", "eof"]
        assert link.closed_by is (ClosedBy.NODE if way is UP else ClosedBy.BROKER)
        assert link.relay.left is (way is UP)
        other.say(publish("x", b"last words"))
        await soon()
        assert link.fates[-1] is Fate.DROPPED, "its side is over"
        assert first.got == []
        await asyncio.sleep(0.99)
        assert not link.relay.finished.is_set()
        await asyncio.sleep(0.02)
        assert link.relay.finished.is_set()
        assert link.running.done()
        assert link.broker.did[-3:] == ["close", "closed", "abort"]
        assert link.node.did[-1] == "close in 1.0"
        assert link.closed_by is (ClosedBy.NODE if way is UP else ClosedBy.BROKER)

    linked(story)


def test_a_node_has_left_when_it_closes_and_not_when_its_last_words_have_gone_on() -> None:
    async def story(link: Link) -> None:
        link.setting.delay[UP] = 5.0
        link.node.say(PINGREQ)
        link.node.end()
        await soon()
        assert (link.closed_by, link.relay.left, link.broker.got) == (ClosedBy.NODE, True, [])
        link.broker.end()
        await asyncio.sleep(0.5)
        assert link.closed_by is ClosedBy.NODE

    linked(story)


def test_bytes_that_are_no_packet_are_held_like_any_other() -> None:
    async def story(link: Link) -> None:
        rule = link.rules.add(Rule(lambda packet: isinstance(packet.packet, Unreadable), Fate.HELD))
        link.broker.say(b"\xff\xff\xff\xff\xff")
        await soon()
        [held] = link.rules.held(rule)
        assert (held.number, held.connection, held.direction, held.raw) == (0, 1, DOWN, b"\xff" * 5)
        assert link.node.got == []

    linked(story)


def test_where_both_have_closed_nobody_is_waited_for() -> None:
    async def story(link: Link) -> None:
        link.node.end()
        link.broker.end()
        await soon()
        assert link.relay.finished.is_set()

    linked(story)


def test_a_side_that_is_reset_has_closed_like_any_other() -> None:
    async def story(link: Link) -> None:
        link.node.stream.set_exception(ConnectionResetError())
        await soon()
        assert (link.closed_by, link.relay.left) == (ClosedBy.NODE, True)

    linked(story)


def test_a_cut_resets_both_sides_at_once() -> None:
    async def story(link: Link) -> None:
        link.setting.delay[UP] = 5.0
        link.node.say(PINGREQ)
        await soon()
        link.relay.cut()
        assert link.closed_by is ClosedBy.TAP
        assert (link.node.did, link.broker.did) == (["reset"], ["abort"])
        await soon()
        assert link.relay.finished.is_set(), "nobody is waited for"
        assert (link.node.did.count("eof"), link.relay._over) == (1, {UP, DOWN})
        assert link.broker.got == []
        assert link.closed_by is ClosedBy.TAP

    linked(story)


@pytest.mark.parametrize(
    ("closing", "has_socket", "lingers"), [(False, True, 1), (True, True, 0), (False, False, 0)]
)
def test_a_reset_is_a_socket_that_does_not_linger(
    closing: bool, has_socket: bool, lingers: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    told: list[object] = []
    monkeypatch.setattr(module, "reset_at_close", told.append)

    async def story() -> None:
        side = Side()
        side.get_extra_info = lambda name: name if has_socket else None  # type: ignore[method-assign,assignment]
        if closing:
            side.did.append("close")
        reset(cast("asyncio.StreamWriter", side))
        assert side.did[-1] == "abort"

    played(story())
    assert told == ["socket"] * lingers
