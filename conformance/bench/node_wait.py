"""Measures when a node that is a program on this machine is kept waiting for a processor: that is none of its doing."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable
from dataclasses import replace

from conformance.bench.processes.peer_process import PeerProcess, peer_process
from conformance.bench.tap.tap import Tap
from conformance.suite.stalls import NOTICED_MS, Stall, Stalls

LOOK_S = 0.02
SHARE = 0.1
"""From what part of a time on, spent waiting for a processor, it may have been kept waiting anywhere in it."""


class NodeWait:
    """Follows the process of the node's newest connection; `stalls` takes each time in which it had to wait."""

    def __init__(self, tap: Tap, stalls: Stalls, now_ms: Callable[[], float]) -> None:
        self._tap, self._stalls, self._now_ms = tap, stalls, now_ms
        self._connection = 0
        self._process: PeerProcess | None = None
        self._looked_ms = 0.0
        self._open: Stall | None = None
        """The time that may go on, in which it waited."""
        self._waited_ms = 0.0
        """For how long in that time."""
        self._lock = threading.Lock()

    async def follow(self) -> None:
        """Look again and again, on the tap's thread."""
        while True:
            await asyncio.sleep(LOOK_S)
            await self._look()

    async def _look(self) -> None:
        """Find the process of a new connection, or see how long that of the old one has waited."""
        newest = self._tap.ends_of_newest()
        if newest is None or newest[0] == self._connection:
            self._measure()
            return
        self._connection, here, peer = newest
        line = self._tap.line
        found = await asyncio.to_thread(peer_process, peer, here, "" if line is None else line.port)
        with self._lock:
            self._close()
            if found is None or self._process is None or found.process_id != self._process.process_id:
                self._process = found
            self._looked_ms = self._now_ms()

    def pending(self) -> Stall | None:
        """The stall that lasts, or that has just ended; from any thread."""
        self._measure()
        with self._lock:
            return self._told()

    def _measure(self) -> None:
        with self._lock:
            if self._process is None:
                return
            waited, now = self._process.waited_ms(), self._now_ms()
            since, self._looked_ms = self._looked_ms, now
            if waited <= SHARE * (now - since):
                self._close()
                return
            begin = min(since, now - waited)
            self._open = Stall(begin if self._open is None else min(begin, self._open.begin_ms), now, "node")
            self._waited_ms += waited

    def _close(self) -> None:
        told = self._told()
        if told is not None:
            self._stalls.add(told)
        self._open, self._waited_ms = None, 0.0

    def _told(self) -> Stall | None:
        if self._open is None or self._waited_ms < NOTICED_MS:
            return None
        return replace(self._open, waited_ms=self._waited_ms)
