"""One connection through the tap: a flow each way that reads whole packets and passes them on."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncGenerator, Callable
from dataclasses import dataclass, field, replace
from typing import Protocol

from conformance.bench.mqtt.framing import Malformed, Splitter
from conformance.bench.mqtt.packets import V311, decode_or_explain
from conformance.bench.tap.node_socket import NodeSocket, reset_at_close
from conformance.bench.tap.rules import RuleSet
from conformance.bench.tap.traffic_log import TrafficLog
from protocol.wire.evidence import ClosedBy, Direction, Fate, LinkPacket
from protocol.wire.fail_stop import task
from protocol.wire.packet import Connect, Unreadable

LONGEST_PACKET = 16 * 1024 * 1024
"""Bytes collected for one packet before the tap stops reading that flow and only passes its bytes on."""
LONGEST_QUEUE = 10_000
"""Packets on their way through one flow; past it the tap reads no more until some have gone."""
CHUNK = 65_536
LINGER = 1.0
"""Seconds that the other side is given to finish once one has closed. A socket closed with bytes unread
resets the connection, and a broker that sees a reset behind a DISCONNECT might send the will all the same."""


@dataclass(slots=True)
class Setting:
    """What all relays of one tap share."""

    log: TrafficLog
    rules: RuleSet
    now_us: Callable[[], int]
    delay: dict[Direction, float] = field(default_factory=dict)
    gap: dict[Direction, float] = field(default_factory=dict)
    """Seconds between two bytes, where a direction is throttled."""
    is_judged: Callable[[int], bool] = lambda _number: True
    """Whether a connection is the node's, so that the rules hold for it."""


class Source(Protocol):
    """What a flow reads from."""

    async def read(self, n: int, /) -> bytes:
        """Up to `n` bytes; none at the end."""
        ...


class Sink(Protocol):
    """What a flow writes to."""

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
class Flow:
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
        """Who has ended the connection when this flow's source runs dry."""
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
        self._flows = {
            Direction.FROM_NODE: Flow(Direction.FROM_NODE, node, broker[1]),
            Direction.TO_NODE: Flow(Direction.TO_NODE, broker[0], node),
        }
        self.node = node
        self._broker = broker[1]
        self._version = V311
        self._cut = asyncio.Event()
        self._over: set[Direction] = set()
        self.left = False
        """Whether the node has closed its side."""
        self.finished = asyncio.Event()

    async def run(self) -> None:
        """Relay to the end; both sockets are closed when it returns."""
        flows = [task(self._run_flow(flow), self._setting.log.fail) for flow in self._flows.values()]
        cut = task(self._cut.wait(), self._setting.log.fail)
        try:
            await asyncio.wait([*flows, cut], return_when=asyncio.FIRST_COMPLETED)
            if not self._cut.is_set():
                await asyncio.wait(flows, timeout=LINGER)
        finally:
            for running in (*flows, cut):
                running.cancel()
            await asyncio.gather(*flows, cut, return_exceptions=True)
            await self._close_sockets()
            self.finished.set()

    def cut(self) -> None:
        """End the connection with a reset on both sides."""
        self._closed(ClosedBy.TAP)
        self._cut.set()
        self.node.reset()
        reset(self._broker)

    def inject(self, direction: Direction, raw: bytes) -> None:
        """Send bytes of the tap's own, and put them among the evidence."""
        taken = self._write(self._flows[direction], raw)
        fate = Fate.INJECTED if taken else Fate.DROPPED
        self._setting.log.record(replace(self._packet(direction, raw), fate=fate))

    async def _run_flow(self, flow: Flow) -> None:
        reading = task(self._read(flow), self._setting.log.fail)
        try:
            while (entry := await flow.queue.get()) is not None:
                due, packet = entry
                await asyncio.sleep(due - asyncio.get_running_loop().time())
                if flow.direction is Direction.TO_NODE:
                    await self._deliver(flow, packet)
                elif packet.fate is Fate.FORWARDED:
                    await self._pass_on(flow, packet.raw)
        finally:
            reading.cancel()
            await asyncio.gather(reading, return_exceptions=True)
            self._over.add(flow.direction)
            self._closed(flow.closed_by)
            # Not over TLS, which has no half of a connection: the broker's side is closed a little later.
            with contextlib.suppress(OSError, RuntimeError, NotImplementedError):
                flow.writer.write_eof()

    async def _read(self, flow: Flow) -> None:
        async with contextlib.aclosing(self._packets(flow)) as packets:
            async for packet in packets:
                await self._arrived(flow, packet)
        if flow.direction is Direction.FROM_NODE:
            self.left = True
            self._closed(ClosedBy.NODE)
        await flow.queue.put(None)

    async def _packets(self, flow: Flow) -> AsyncGenerator[LinkPacket, None]:
        """Cut the stream into packets; from where the bytes are none they are given as they are."""
        splitter = Splitter(LONGEST_PACKET)
        readable = True
        while chunk := await _read_some(flow.reader):
            if not readable:
                yield self._unreadable(flow, chunk, "behind bytes that are not a packet")
                continue
            splitter.feed(chunk)
            try:
                while (raw := splitter.next_packet()) is not None:
                    yield self._packet(flow.direction, raw)
            except Malformed as error:
                readable = False
                yield self._unreadable(flow, splitter.rest, str(error))
        if readable and splitter.rest:
            yield self._unreadable(flow, splitter.rest, "the stream ends within a packet")

    def _packet(self, direction: Direction, raw: bytes) -> LinkPacket:
        decoded = decode_or_explain(raw, self._version)
        if isinstance(decoded, Connect):
            self._version = decoded.level
        return LinkPacket(0, self._number, direction, self._setting.now_us(), decoded, raw=raw)

    def _unreadable(self, flow: Flow, raw: bytes, reason: str) -> LinkPacket:
        return LinkPacket(
            0, self._number, flow.direction, self._setting.now_us(), Unreadable(reason), raw=raw
        )

    async def _arrived(self, flow: Flow, packet: LinkPacket) -> None:
        due = asyncio.get_running_loop().time() + self._setting.delay.get(flow.direction, 0.0)
        if flow.direction is Direction.FROM_NODE:
            # Evidence is taken on the node's side: now, before any delay towards the broker.
            packet = self._enter(self._judged(flow, packet))
        await flow.queue.put((due, packet))

    async def _deliver(self, flow: Flow, packet: LinkPacket) -> None:
        """Send a packet to the node. It enters the log once its first bytes have gone, or could not go."""
        judged = self._judged(flow, packet)
        if judged.fate is Fate.FORWARDED:
            await self._pass_on(flow, judged.raw, judged)
        elif judged.fate is not Fate.HELD:
            self._enter(judged)

    async def _pass_on(self, flow: Flow, raw: bytes, unentered: LinkPacket | None = None) -> None:
        """Write a packet, whole or byte by byte; nothing else gets between its bytes."""
        begin = 0
        flow.behind = bytearray()
        while (gap := self._setting.gap.get(flow.direction, 0.0)) and begin < len(raw) - 1:
            self._enter_as(self._send(flow, raw[begin : begin + 1]), unentered)
            unentered, begin = None, begin + 1
            await asyncio.sleep(gap)
        raw, flow.behind = raw[begin:] + flow.behind, None
        self._enter_as(self._send(flow, raw), unentered)
        with contextlib.suppress(OSError):
            await flow.writer.drain()

    def _judged(self, flow: Flow, packet: LinkPacket) -> LinkPacket:
        """Let the rules decide; one that fails cuts the connection."""
        now = replace(packet, at_us=self._setting.now_us())
        try:
            judged = self._setting.is_judged(self._number)
            fate = (
                self._setting.rules.judge(now, lambda: self._release(flow, now)) if judged else Fate.FORWARDED
            )
        except Exception as error:  # noqa: BLE001 - it is the case's own code that failed: the case must hear of it
            return self._failed(error, now)
        other_side_gone = len(self._over - {flow.direction}) > 0
        return replace(now, fate=Fate.DROPPED if fate is Fate.FORWARDED and other_side_gone else fate)

    def _enter(self, packet: LinkPacket) -> LinkPacket:
        """Enter a packet in the log; a listener that fails cuts the connection."""
        try:
            return self._setting.log.record(packet)
        except Exception as error:  # noqa: BLE001 - it is the case's own code that failed: the case must hear of it
            return self._failed(error, packet)

    def _enter_as(self, taken: bool, packet: LinkPacket | None) -> None:
        """Enter a packet, unless it was: as forwarded, or as dropped where the node took nothing any more."""
        if packet is not None:
            self._enter(packet if taken else replace(packet, fate=Fate.DROPPED))

    def _failed(self, error: Exception, packet: LinkPacket) -> LinkPacket:
        self._setting.log.fail(error)
        self.cut()
        return replace(packet, fate=Fate.DROPPED)

    def _release(self, flow: Flow, packet: LinkPacket) -> None:
        """Send on what a rule held, unless the connection is over."""
        if self._over or self._cut.is_set():
            return
        at_us = self._setting.now_us()
        taken = self._write(flow, packet.raw)
        if flow.direction is Direction.TO_NODE:
            self._enter_as(taken, replace(packet, at_us=at_us))

    def _write(self, flow: Flow, raw: bytes) -> bool:
        """Send, behind a packet that goes byte by byte; whether the bytes were taken."""
        if flow.behind is None:
            return self._send(flow, raw)
        flow.behind += raw
        return True

    def _send(self, flow: Flow, raw: bytes) -> bool:
        if flow.direction is Direction.TO_NODE:
            return self.node.write(raw)
        if not self._broker.is_closing():
            self._broker.write(raw)
        return True

    def _closed(self, by: ClosedBy) -> None:
        self._setting.log.closed(self._number, self._setting.now_us(), by)

    async def _close_sockets(self) -> None:
        self._broker.close()
        with contextlib.suppress(OSError, TimeoutError):
            await asyncio.wait_for(self._broker.wait_closed(), LINGER)
        # A side that does not take its last bytes must not keep the tap.
        self._broker.transport.abort()
        await self.node.close(LINGER)


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
