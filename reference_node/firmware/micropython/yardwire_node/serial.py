"""A node on a serial line of the board: a UART, or whatever reads and writes bytes without waiting."""

import asyncio

from .line import Line

QUEUE_MOST = 2048


class SerialLink:
    """A line over `port`, such as `machine.UART(1, 115200, timeout=0)`. `chunk` is how much is read at once."""

    def __init__(self, node, port, chunk: int = 64) -> None:
        self._stream = asyncio.StreamReader(port)
        self._chunk = chunk
        self._queue = bytearray()
        self._wake = asyncio.Event()
        self._line = Line(node, self._put)
        node.speaker.is_busy = lambda: bool(self._queue)

    def tick(self) -> None:
        """What the main loop calls."""
        self._line.tick()

    async def leave(self) -> None:
        """Say nothing more: the gateway notices the silence, and lets the will be published."""

    def _put(self, frame: bytes) -> bool:
        """A frame goes out whole or not at all."""
        if len(self._queue) + len(frame) > QUEUE_MOST:
            return False
        self._queue.extend(frame)
        self._wake.set()
        return True

    async def _write(self) -> None:
        while True:
            await self._wake.wait()
            self._wake.clear()
            waiting, self._queue = bytes(self._queue), bytearray()
            self._stream.write(waiting)
            await self._stream.drain()

    async def run(self) -> None:
        """Take what comes, for ever."""
        task = asyncio.create_task(self._write())
        try:
            while True:
                if task.done():
                    await task  # It has failed: so does the program, with its outputs off.
                content = await self._stream.read(self._chunk)
                if content:
                    self._line.take(content)
                else:
                    await asyncio.sleep_ms(1)
        finally:
            task.cancel()
