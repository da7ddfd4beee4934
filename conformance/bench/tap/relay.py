"""One connection through the tap: a lane each way that reads whole packets and passes them on."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncGenerator, Callable
from dataclasses import dataclass, field, replace
from typing import Protocol

from conformance.bench.mqtt.framing import Malformed, Splitter
from conformance.bench.mqtt.packets import V311, decode_or_explain
from conformance.bench.tap.node_socket import NodeSocket, reset_at_close
from conformance.bench.tap.rules import RuleBook
from conformance.bench.tap.traffic_log import EvidenceBook
from protocol.wire.evidence import ClosedBy, Direction, Fate, LinkPacket
from protocol.wire.fail_stop import task
from protocol.wire.packet import Connect, Unreadable

LONGEST_PACKET = 16 * 1024 * 1024
"""Bytes collected for one packet before the tap stops reading that lane and only passes its bytes on."""
LONGEST_QUEUE = 10_000
"""Packets on their way through one lane; past it the tap reads no more until some have gone."""
CHUNK = 65_536
LINGER = 1.0
"""Seconds that the other side is given to finish once one has closed. A socket closed with bytes unread
resets the connection, and a broker that sees a reset behind a DISCONNECT might send the will all the same."""


@dataclass(slots=True)
class Setting:
    """What all relays of one tap share."""

    book: EvidenceBook
    rules: RuleBook
    now_us: Callable[[], int]
    delay: dict[Direction, float] = field(default_factory=dict)
    gap: dict[Direction, float] = field(default_factory=dict)
    """Seconds between two bytes, where a direction is throttled."""
    is_judged: Callable[[int], bool] = lambda _number: True
    """Whether a connection is the node's, so that the rules hold for it."""


class Source(Protocol):
    """What a lane reads from."""

    async def read(self, n: int, /) -> bytes:
        """Up to `n` bytes; none at the end."""
        ...


class Sink(Protocol):
    """What a lane writes to."""

    def write(self, data: bytes, /) -> object:
        """Send bytes."""
        ...

    async def drain(self) -> None:
        """Wait until little enough is on its way."""
        ...

    def write_eof(self) -> None:
        """Send the end of the stream."""
        ...


@dataclass(slots=True)
class Lane:
    """One way through a relay. `queue` holds packets and the loop time when each is due; None ends it."""

    direction: Direction
    reader: Source
    writer: Sink
    queue: asyncio.Queue[tuple[float, LinkPacket] | None] = field(
        default_factory=lambda: asyncio.Queue(LONGEST_QUEUE)
    )
    behind: bytearray | None = None
    """What has to wait for the end of a packet that goes byte by byte; None while none does."""

    @property
    def closed_by(self) -> ClosedBy:
        """Who has ended the connection when this lane's source runs dry."""
        return ClosedBy.NODE if self.direction is Direction.FROM_NODE else ClosedBy.BROKER


class Relay:
    """Relays one connection of the node until either side closes it or the tap cuts it."""

    def __init__(
        self,
        setting: Setting,
        number: int,
        node: NodeSocket,
        broker: tuple[asyncio.StreamReader, asyncio.StreamWriter],
    ) -> None:
        """`number` counts the node's connections from 1; `node` and `broker` are its two open sides."""
        self._setting = setting
        self._number = number
        self._lanes = {
            Direction.FROM_NODE: Lane(Direction.FROM_NODE, node, broker[1]),
            Direction.TO_NODE: Lane(Direction.TO_NODE, broker[0], node),
        }
        self._node = node
        self._broker = broker[1]
        self._version = V311
        self._cut = asyncio.Event()
        self._over: set[Direction] = set()
        self.left = False
        """Whether the node has closed its side."""
        self.finished = asyncio.Event()

    async def run(self) -> None:
        """Relay to the end; both sockets are closed when it returns."""
        lanes = [task(self._run_lane(lane), self._setting.book.fail) for lane in self._lanes.values()]
        cut = task(self._cut.wait(), self._setting.book.fail)
        try:
            await asyncio.wait([*lanes, cut], return_when=asyncio.FIRST_COMPLETED)
            if not self._cut.is_set():
                await asyncio.wait(lanes, timeout=LINGER)
        finally:
            for running in (*lanes, cut):
                running.cancel()
            await asyncio.gather(*lanes, cut, return_exceptions=True)
            await self._close_sockets()
            self.finished.set()

    def cut(self) -> None:
        """End the connection with a reset on both sides."""
        self._closed(ClosedBy.TAP)
        self._cut.set()
        self._node.reset()
        reset(self._broker)

    def inject(self, direction: Direction, raw: bytes) -> None:
        """Send bytes of the tap's own, and put them among the evidence."""
        taken = self._write(self._lanes[direction], raw)
        fate = Fate.INJECTED if taken else Fate.DROPPED
        self._setting.book.record(replace(self._packet(direction, raw), fate=fate))

    async def _run_lane(self, lane: Lane) -> None:
        reading = task(self._read(lane), self._setting.book.fail)
        try:
            while (entry := await lane.queue.get()) is not None:
                due, packet = entry
                await asyncio.sleep(due - asyncio.get_running_loop().time())
                if lane.direction is Direction.TO_NODE:
                    await self._deliver(lane, packet)
                elif packet.fate is Fate.FORWARDED:
                    await self._pass_on(lane, packet.raw)
        finally:
            reading.cancel()
            await asyncio.gather(reading, return_exceptions=True)
            self._over.add(lane.direction)
            self._closed(lane.closed_by)
            # Not over TLS, which has no half of a connection: the broker's side is closed a little later.
            with contextlib.suppress(OSError, RuntimeError, NotImplementedError):
                lane.writer.write_eof()

    async def _read(self, lane: Lane) -> None:
        async with contextlib.aclosing(self._packets(lane)) as packets:
            async for packet in packets:
                await self._arrived(lane, packet)
        if lane.direction is Direction.FROM_NODE:
            self.left = True
            self._closed(ClosedBy.NODE)
        await lane.queue.put(None)

    async def _packets(self, lane: Lane) -> AsyncGenerator[LinkPacket, None]:
        """Cut the stream into packets; from where the bytes are none they are given as they are."""
        splitter = Splitter(LONGEST_PACKET)
        readable = True
        while chunk := await _read_some(lane.reader):
            if not readable:
                yield self._unreadable(lane, chunk, "behind bytes that are no packet")
                continue
            splitter.feed(chunk)
            try:
                while (raw := splitter.next_packet()) is not None:
                    yield self._packet(lane.direction, raw)
            except Malformed as error:
                readable = False
                yield self._unreadable(lane, splitter.rest, str(error))
        if readable and splitter.rest:
            yield self._unreadable(lane, splitter.rest, "the stream ends within a packet")

    def _packet(self, direction: Direction, raw: bytes) -> LinkPacket:
        decoded = decode_or_explain(raw, self._version)
        if isinstance(decoded, Connect):
            self._version = decoded.level
        return LinkPacket(0, self._number, direction, self._setting.now_us(), decoded, raw=raw)

    def _unreadable(self, lane: Lane, raw: bytes, reason: str) -> LinkPacket:
        return LinkPacket(
            0, self._number, lane.direction, self._setting.now_us(), Unreadable(reason), raw=raw
        )

    async def _arrived(self, lane: Lane, packet: LinkPacket) -> None:
        due = asyncio.get_running_loop().time() + self._setting.delay.get(lane.direction, 0.0)
        if lane.direction is Direction.FROM_NODE:
            # Evidence is taken on the node's side: now, before any delay towards the broker.
            packet = self._enter(self._judged(lane, packet))
        await lane.queue.put((due, packet))

    async def _deliver(self, lane: Lane, packet: LinkPacket) -> None:
        """Send a packet to the node. It enters the book once its first bytes have gone, or could not go."""
        judged = self._judged(lane, packet)
        if judged.fate is Fate.FORWARDED:
            await self._pass_on(lane, judged.raw, judged)
        elif judged.fate is not Fate.HELD:
            self._enter(judged)

    async def _pass_on(self, lane: Lane, raw: bytes, unentered: LinkPacket | None = None) -> None:
        """Write a packet, whole or byte by byte; nothing else gets between its bytes."""
        begin = 0
        lane.behind = bytearray()
        while (gap := self._setting.gap.get(lane.direction, 0.0)) and begin < len(raw) - 1:
            self._enter_as(self._send(lane, raw[begin : begin + 1]), unentered)
            unentered, begin = None, begin + 1
            await asyncio.sleep(gap)
        raw, lane.behind = raw[begin:] + lane.behind, None
        self._enter_as(self._send(lane, raw), unentered)
        with contextlib.suppress(OSError):
            await lane.writer.drain()

    def _judged(self, lane: Lane, packet: LinkPacket) -> LinkPacket:
        """Let the rules decide; one that fails cuts the connection."""
        now = replace(packet, at_us=self._setting.now_us())
        try:
            judged = self._setting.is_judged(self._number)
            fate = (
                self._setting.rules.judge(now, lambda: self._release(lane, now)) if judged else Fate.FORWARDED
            )
        except Exception as error:  # noqa: BLE001 - it is the case's own code that failed: the case must hear of it
            return self._failed(error, now)
        other_side_gone = len(self._over - {lane.direction}) > 0
        return replace(now, fate=Fate.DROPPED if fate is Fate.FORWARDED and other_side_gone else fate)

    def _enter(self, packet: LinkPacket) -> LinkPacket:
        """Enter a packet in the book; a listener that fails cuts the connection."""
        try:
            return self._setting.book.record(packet)
        except Exception as error:  # noqa: BLE001 - it is the case's own code that failed: the case must hear of it
            return self._failed(error, packet)

    def _enter_as(self, taken: bool, packet: LinkPacket | None) -> None:
        """Enter a packet, unless it was: as forwarded, or as dropped where the node took nothing any more."""
        if packet is not None:
            self._enter(packet if taken else replace(packet, fate=Fate.DROPPED))

    def _failed(self, error: Exception, packet: LinkPacket) -> LinkPacket:
        self._setting.book.fail(error)
        self.cut()
        return replace(packet, fate=Fate.DROPPED)

    def _release(self, lane: Lane, packet: LinkPacket) -> None:
        """Send on what a rule held, unless the connection is over."""
        if self._over or self._cut.is_set():
            return
        at_us = self._setting.now_us()
        taken = self._write(lane, packet.raw)
        if lane.direction is Direction.TO_NODE:
            self._enter_as(taken, replace(packet, at_us=at_us))

    def _write(self, lane: Lane, raw: bytes) -> bool:
        """Send, behind a packet that goes byte by byte; whether the bytes were taken."""
        if lane.behind is None:
            return self._send(lane, raw)
        lane.behind += raw
        return True

    def _send(self, lane: Lane, raw: bytes) -> bool:
        if lane.direction is Direction.TO_NODE:
            return self._node.write(raw)
        if not self._broker.is_closing():
            self._broker.write(raw)
        return True

    def _closed(self, by: ClosedBy) -> None:
        self._setting.book.closed(self._number, self._setting.now_us(), by)

    async def _close_sockets(self) -> None:
        self._broker.close()
        with contextlib.suppress(OSError, TimeoutError):
            await asyncio.wait_for(self._broker.wait_closed(), LINGER)
        # A side that does not take its last bytes must not keep the tap.
        self._broker.transport.abort()
        await self._node.close(LINGER)


async def _read_some(reader: Source) -> bytes:
    """Whatever has come; nothing at the end of the stream, be it a reset."""
    try:
        return await reader.read(CHUNK)
    except OSError:
        return b""


def reset(writer: asyncio.StreamWriter) -> None:
    """Close a socket so that the other end sees a reset."""
    # One of TLS that was closed twice has forgotten its socket.
    if not writer.is_closing() and (sock := writer.get_extra_info("socket")) is not None:
        reset_at_close(sock)
    writer.transport.abort()
