"""The node's side of a tapped connection, on a bare socket.

asyncio's streams stop reading when a write fails, and forget what has been read when the connection is reset.
A board that sends DISCONNECT and closes with bytes unread resets the connection: its last words would be lost
and the evidence wrong. Here reading goes on until the socket itself has nothing left.
"""

from __future__ import annotations

import asyncio
import contextlib
import socket
import struct

from protocol.wire.fail_stop import Fail, fail, task

LONGEST_BACKLOG = 65_536
"""Bytes waiting for the node before `drain` waits for it."""


def reset_at_close(sock: socket.socket) -> None:
    """Have the other end see a reset when `sock` is closed (SO_LINGER with time 0, POSIX)."""
    sock.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))


class NodeSocket:
    """Reads and writes one accepted socket, each on its own; has what a relay needs of a stream."""

    def __init__(self, sock: socket.socket, failed: Fail = fail) -> None:
        """`failed` is told an error that is none of the connection."""
        sock.setblocking(False)
        sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._sock = sock
        try:
            here, there = sock.getsockname(), sock.getpeername()
        except OSError:  # gone already
            here = there = ("", 0)
        self.here, self.there = (str(here[0]), int(here[1])), (str(there[0]), int(there[1]))
        """Address and port of both ends."""
        self.peer = f"{self.there[0]}, port {self.there[1]}" if self.there[0] else ""
        self._loop = asyncio.get_running_loop()
        self._waiting = bytearray()
        self._sending = False
        self._gone = False
        self._ending = False
        self._closed = False
        self._wake = asyncio.Event()
        self._room = asyncio.Event()
        self._room.set()
        self._pump = task(self._send(), failed)

    async def read(self, count: int) -> bytes:
        """Whatever has come; nothing at the end. Raises OSError only when nothing is left to read."""
        return await self._loop.sock_recv(self._sock, count)

    def write(self, raw: bytes) -> bool:
        """Send, in order, at once where nothing waits; False when the node takes nothing any more."""
        if self._gone or self._ending or self._closed:
            return False
        if not self._waiting and not self._sending:
            raw = raw[self._send_now(raw) :]
        if raw and not self._gone:
            self._waiting += raw
            self._wake.set()
            if len(self._waiting) > LONGEST_BACKLOG:
                self._room.clear()
        return not self._gone

    def _send_now(self, raw: bytes) -> int:
        try:
            return self._sock.send(raw)
        except (BlockingIOError, InterruptedError):
            return 0
        except OSError:
            self._gone = True
            return 0

    async def drain(self) -> None:
        """Wait until little enough is waiting."""
        await self._room.wait()

    def write_eof(self) -> None:
        """Send what is waiting, then the end of the stream."""
        self._ending = True
        self._wake.set()

    async def close(self, timeout: float) -> None:
        """Close, giving the node `timeout` seconds to take what is waiting."""
        self.write_eof()
        await asyncio.wait({self._pump}, timeout=timeout)
        self._pump.cancel()
        await asyncio.gather(self._pump, return_exceptions=True)
        self._end()

    def reset(self) -> None:
        """Close at once so that the node sees a reset."""
        self._pump.cancel()
        if not self._closed:
            reset_at_close(self._sock)
            self._end()

    def _end(self) -> None:
        if self._closed:
            return
        self._closed = True
        # A number must not be watched any more when it is given to another socket.
        self._loop.remove_reader(self._sock)
        self._loop.remove_writer(self._sock)
        self._sock.close()

    async def _send(self) -> None:
        try:
            while self._waiting or not self._ending:
                await self._wake.wait()
                self._wake.clear()
                while self._waiting:
                    piece, self._waiting = self._waiting, bytearray()
                    self._sending = True
                    await self._loop.sock_sendall(self._sock, piece)
                    self._sending = False
                    self._room.set()
            with contextlib.suppress(OSError):
                self._sock.shutdown(socket.SHUT_WR)
        except OSError:
            self._gone = True
            self._waiting.clear()
        finally:
            self._room.set()
