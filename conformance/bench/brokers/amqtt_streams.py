"""What the embedded broker reads from and writes to: whole, valid, punctual packets only.

amqtt 0.12.1 reads a connection field by field, so a packet it rejects halfway leaves the rest of it to be
read as the next one, and it enforces neither keep-alive nor a size. Here every packet is collected and
checked before amqtt sees its first byte; anything else ends the connection.
"""

from __future__ import annotations

import asyncio

from amqtt.adapters import ReaderAdapter, StreamWriterAdapter

from conformance.bench.mqtt.framing import Malformed, Splitter
from conformance.bench.mqtt.packets import decode
from protocol.wire.packet import Connect, Disconnect, Packet, Publish

CONNECT_TIMEOUT = 10.0
"""Seconds a new connection has for its CONNECT ('a reasonable amount of time', MQTT 3.1.1 section 3.1.4)."""
CLOSE_TIMEOUT = 0.5
"""Seconds a client has to take its last bytes."""
LARGEST_PACKET = 65_536
CHUNK = 65_536


class PacketReader(ReaderAdapter):  # type: ignore[misc]
    """Serves the bytes of one checked packet after the other; at the end it gives nothing, for ever."""

    def __init__(self, stream: asyncio.StreamReader) -> None:
        self._stream = stream
        self._splitter = Splitter(LARGEST_PACKET)
        self._packet = b""
        self._at = 0
        self._ended = False
        self._connected = False
        self.silence_limit: float | None = CONNECT_TIMEOUT
        """Seconds within which the next packet must be complete; None for no limit."""
        self.disconnected = False
        """Whether a DISCONNECT has come, so that the will is void ([MQTT-3.1.2-10])."""

    async def read(self, n: int = -1) -> bytes:
        """Give `n` bytes of the current packet, or none once the connection is at its end."""
        if n == 0:
            return b""
        if self._at >= len(self._packet):
            # Lets the handlers of the packets before this one run first, in order, and other clients too.
            await asyncio.sleep(0)
            self._packet, self._at = await self.next_packet(), 0
        end = len(self._packet) if n < 0 else self._at + n
        piece = self._packet[self._at : end]
        self._at = end
        return piece

    def feed_eof(self) -> None:
        """End the connection from our side."""
        self._ended = True

    async def next_packet(self) -> bytes:
        """Give the next whole packet; empty at the end of the connection."""
        # Nothing counts behind a DISCONNECT: the server closes (section 3.14.4).
        self._ended = self._ended or self.disconnected
        try:
            # 1.5 times the keep-alive, counted from the last whole packet: [MQTT-3.1.2-24].
            async with asyncio.timeout(self.silence_limit):
                raw = await self._collect()
            self._check(decode(raw))
        except (Malformed, OSError, EOFError, TimeoutError):
            self._ended = True
        return b"" if self._ended else raw

    async def _collect(self) -> bytes:
        if self._ended:
            raise EOFError
        while (raw := self._splitter.next_packet()) is None:
            chunk = await self._stream.read(CHUNK)
            if not chunk:
                raise EOFError
            self._splitter.feed(chunk)
        return raw

    def _check(self, packet: Packet) -> None:
        """Raise Malformed for what ends a connection although it can be decoded."""
        if self._connected == isinstance(packet, Connect):
            raise Malformed("CONNECT comes first, and once", 0)  # [MQTT-3.1.0-1], [MQTT-3.1.0-2]
        self._connected = True
        if isinstance(packet, Publish):
            if not packet.topic or "+" in packet.topic or "#" in packet.topic:
                raise Malformed(f"nothing can be published to {packet.topic!r}", 4)  # [MQTT-3.3.2-2]
            if packet.topic.startswith("$"):
                raise Malformed("topics with a leading $ are the broker's", 4)  # section 4.7.2
        self.disconnected = self.disconnected or isinstance(packet, Disconnect)


class PromptWriter(StreamWriterAdapter):  # type: ignore[misc]
    """Never waits long for a client that does not read."""

    is_closed: bool

    def write(self, data: bytes) -> None:
        """Write, unless the connection is gone, of which the reader tells."""
        if not self._writer.is_closing():
            super().write(data)

    def drop(self) -> None:
        """Close at once: cleanly if all has been sent, else with what is left thrown away."""
        transport = self._writer.transport
        if transport.get_write_buffer_size():
            transport.abort()
        else:
            transport.close()

    async def close(self) -> None:
        """Close, giving the client CLOSE_TIMEOUT to take its last bytes."""
        if self.is_closed:
            return
        self.is_closed = True
        self._writer.close()
        try:
            async with asyncio.timeout(CLOSE_TIMEOUT):
                await self._writer.wait_closed()
        except OSError:  # TimeoutError among them
            pass
        finally:
            self._writer.transport.abort()
