"""A relay of the tap between two sides that are played by hand, on a clock that jumps."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import Any, cast

from conformance.bench.tap.node_socket import NodeSocket
from conformance.bench.tap.relay import Relay, Setting
from conformance.bench.tap.rules import RuleSet
from conformance.bench.tap.traffic_log import TrafficLog
from protocol.wire.evidence import ClosedBy, Direction, Fate
from tests.bench.jumping_loop import played

UP, DOWN = Direction.FROM_NODE, Direction.TO_NODE
PINGRESP = b"\xd0\x00"


class Side:
    """One end: what comes is fed, what is written stands in `got` with its time; `deaf` takes nothing any more."""

    def __init__(self) -> None:
        self.stream = asyncio.StreamReader()
        self.got: list[tuple[float, bytes]] = []
        self.deaf = False
        self.did: list[str] = []
        self.transport = self

    # ---- as a reader
    async def read(self, count: int) -> bytes:
        return await self.stream.read(count)

    # ---- as a writer
    def write(self, data: bytes) -> bool:
        if not self.deaf:
            self.got.append((asyncio.get_running_loop().time(), bytes(data)))
        return not self.deaf

    async def drain(self) -> None:
        self.did.append("drain")

    def write_eof(self) -> None:
        self.did.append("eof")

    def is_closing(self) -> bool:
        return "close" in self.did or "abort" in self.did

    async def wait_closed(self) -> None:
        self.did.append("closed")

    def abort(self) -> None:
        self.did.append("abort")

    def reset(self) -> None:
        self.did.append("reset")

    def get_extra_info(self, _name: str) -> None:
        return None

    def close(self, timeout: float | None = None) -> asyncio.Future[None]:
        self.did.append("close" if timeout is None else f"close in {timeout}")
        done = asyncio.get_running_loop().create_future()
        done.set_result(None)
        return done

    # ---- what a test asks
    def say(self, *raw: bytes) -> None:
        self.stream.feed_data(b"".join(raw))

    def end(self) -> None:
        self.stream.feed_eof()

    @property
    def heard(self) -> bytes:
        return b"".join(raw for _, raw in self.got)


class Link:
    """A relay between two sides that is running."""

    def __init__(self, number: int = 1) -> None:
        self.node, self.broker, self.log, self.rules = Side(), Side(), TrafficLog(), RuleSet()
        for _ in range(number):
            self.log.opened(0)
        loop = asyncio.get_running_loop()
        self.setting = Setting(self.log, self.rules, lambda: round(loop.time() * 1_000_000))
        sides = cast("Any", (self.broker.stream, self.broker))
        self.relay = Relay(self.setting, number, cast("NodeSocket", self.node), sides)
        self.running = asyncio.create_task(self.relay.run())

    @property
    def fates(self) -> list[Fate]:
        return [one.fate for one in self.log.packets()]

    @property
    def times(self) -> list[int]:
        """Of all evidence, in ms."""
        return [one.at_us // 1000 for one in self.log.packets()]

    @property
    def closed_by(self) -> ClosedBy | None:
        return self.log.connections()[-1].closed_by


async def soon() -> None:
    """Let happen what takes no time."""
    await asyncio.sleep(0.0001)


def linked(story: Callable[[Link], Any]) -> None:
    """Play a story over a running relay."""

    async def play() -> None:
        link = Link()
        try:
            await story(link)
        finally:
            link.running.cancel()
            await asyncio.gather(link.running, return_exceptions=True)

    played(play())
