"""A node on MQTT 3.1.1 over a plain socket: connects, subscribes, and comes back by itself."""

import asyncio

from . import packets
from .tables import EVERYONE, RECONNECT_LEAST_MS, ROOT

WAIT_MOST_MS = 8000
QUEUE_MOST = 4096  # bytes that wait for the network; more means that nobody takes them
DIAL_S = 8
LENGTH_BYTES_MOST = 4


class MqttLink:
    """The connections of one node, one after the other; nothing here stops the main loop.

    Give the broker by its address: looking up a name blocks.
    """

    def __init__(self, node, host: str, port: int = 1883, user: str = "", password: str = "") -> None:
        self._node, self._host, self._port = node, host, port
        self._user, self._password = user, password
        site = node.site
        self._own = self._topic("job-order")
        self._everyone = ROOT + "/" + site["site"] + "/" + EVERYONE + "/job-order"
        self._qos, self._buffer, self._keep_alive_s = site["qos"], site["buffer"], site["keep_alive_s"]
        self._queue = bytearray()
        self._wake = asyncio.Event()
        self._number = 0
        self._broken = False
        self._stream: asyncio.StreamReader | None = None
        node.speaker.send = self._send
        node.speaker.is_busy = lambda: bool(self._queue)

    def tick(self) -> None:
        """What the main loop calls."""
        self._node.tick()

    async def run(self) -> None:
        """Connect again and again, for ever [LNK-10]."""
        wait_ms = 2 * RECONNECT_LEAST_MS
        while True:
            stream = None
            try:
                stream, _ = await asyncio.wait_for(asyncio.open_connection(self._host, self._port), DIAL_S)
                if await self._connection(stream):
                    wait_ms = 2 * RECONNECT_LEAST_MS
            except (OSError, EOFError, asyncio.TimeoutError):
                pass
            self._node.disconnected()
            self._stream = None
            if stream is not None:
                stream.close()
            await asyncio.sleep_ms(wait_ms)
            wait_ms = min(2 * wait_ms, WAIT_MOST_MS)

    # ------------------------------------------------------------ what goes out

    def _topic(self, message: str) -> str:
        return ROOT + "/" + self._node.site["site"] + "/" + self._node.site["node"] + "/" + message

    def _next_number(self) -> int:
        self._number = self._number % 0xFFFF + 1
        return self._number

    def _put(self, packet: bytes) -> bool:
        if len(self._queue) + len(packet) > QUEUE_MOST:
            self._broken = True
        if self._broken:
            return False
        self._queue.extend(packet)
        self._wake.set()
        return True

    def _send(self, message: str, payload: bytes) -> bool:
        is_report = message == "job-report"
        number = self._next_number() if self._qos else 0
        return self._put(packets.publish(self._topic(message), payload, self._qos, not is_report, number))

    async def _write(self, stream) -> None:
        try:
            while not self._broken:
                await self._wake.wait()
                self._wake.clear()
                waiting, self._queue = bytes(self._queue), bytearray()
                stream.write(waiting)
                await stream.drain()
        except OSError:
            self._broken = True  # The reader finds out too.

    async def _ping(self) -> None:
        """Whether anybody is there [LNK-03]; the answer is what the reader waits for."""
        while True:
            await asyncio.sleep(self._keep_alive_s / 2)
            self._put(packets.PINGREQ)

    # ------------------------------------------------------------ one connection

    async def _connection(self, stream) -> bool:
        """From CONNECT to the end; True where it was accepted. Nothing is left running."""
        node = self._node
        self._stream = stream
        _no_delay(stream)
        self._queue, self._broken = bytearray(), False
        tasks = [asyncio.create_task(self._write(stream)), asyncio.create_task(self._ping())]
        will = (self._topic("node-status"), node.will(), self._qos)
        self._put(packets.connect(node.site["node"], self._keep_alive_s, will, self._user, self._password))
        accepted = False
        try:
            while not (self._broken or tasks[0].done()):
                kind, packet = await asyncio.wait_for(self._read(stream), 1.5 * self._keep_alive_s)
                if kind >> 4 == packets.CONNACK:
                    if packet[1:2] != b"\x00":
                        return False
                    self._put(packets.subscribe(self._next_number(), (self._own, self._everyone)))
                elif kind >> 4 == packets.SUBACK:
                    if max(packet[2:]) > 1:
                        return False
                    accepted = True
                    node.connected()
                elif kind >> 4 == packets.PUBLISH:
                    self._order(kind, packet)
        finally:
            for task in tasks:
                task.cancel()
        return accepted

    async def _read(self, stream) -> tuple:
        """First byte and content of the next packet; of one over the buffer what stands before its payload alone."""
        kind = (await stream.readexactly(1))[0]
        size = 0
        for place in range(LENGTH_BYTES_MOST):
            byte = (await stream.readexactly(1))[0]
            size |= (byte & 0x7F) << 7 * place
            if byte < 0x80:
                break
        else:
            raise OSError
        if size + place + 2 <= self._buffer:
            return kind, await stream.readexactly(size)
        begin = await stream.readexactly(min(size, self._buffer))
        left = size - len(begin)
        while left:
            left -= len(await stream.readexactly(min(left, self._buffer)))
        self._acknowledge(kind, begin)  # Else it would be one of the few that a broker has under way.
        return 0, b""

    def _acknowledge(self, kind: int, packet: bytes) -> int:
        """Acknowledge a PUBLISH that has been copied out [LNK-15]; gives where its payload begins."""
        end = 2 + int.from_bytes(packet[:2], "big")
        if kind >> 4 != packets.PUBLISH or not kind & 0x06:
            return end
        number = packet[end : end + 2]
        if len(number) == 2:
            self._put(packets.puback(number))
        return end + 2

    def _order(self, kind: int, packet: bytes) -> None:
        begin = self._acknowledge(kind, packet)
        topic = packet[2 : 2 + int.from_bytes(packet[:2], "big")]
        # One that is retained is of another day [LNK-14].
        if not kind & 1 and topic in (self._own.encode(), self._everyone.encode()):
            self._node.receive(packet[begin:], topic == self._everyone.encode())

    async def leave(self) -> None:
        """Say 'off', then disconnect: a disconnect on purpose suppresses the will [LNK-16]."""
        stream = self._stream
        if stream is None or not self._node.speaker.online:
            return
        topic, payload = self._topic("node-status"), self._node.parting()
        stream.write(packets.publish(topic, payload, 0, True, 0) + packets.DISCONNECT)
        await stream.drain()
        stream.close()


def _no_delay(stream) -> None:
    """Small packets go out at once, where the port can (RFC 9293 section 3.7.4)."""
    try:
        stream.s.setsockopt(6, 1, 1)  # IPPROTO_TCP, TCP_NODELAY
    except (AttributeError, OSError):
        pass
