"""Runs a participant at its end of a serial line: one thread that reads, writes and ticks in time."""

from __future__ import annotations

import selectors
import socket
import threading
import time
from collections.abc import Callable
from contextlib import suppress

from protocol.trouble import Trouble
from protocol.wire.mqtt import monotonic_ms
from protocol.wire.parting import parting_of
from protocol.wire.serial.node_line import NodeLine
from protocol.wire.serial.port import Line, LineGone, OpenLine
from protocol.wire.serial.writer import Writer

AGAIN_MS = 1000
"""How often a port that is not there is tried again."""


class LineHost:
    """One participant on one line. All calls of the participant are made on the host's own thread."""

    def __init__(
        self, node: NodeLine, open_line: OpenLine, *, clock: Callable[[], int] = monotonic_ms
    ) -> None:
        """`clock` gives monotonic milliseconds."""
        self._node, self._open, self._clock = node, open_line, clock
        self._line: Line | None = None
        self._open_at_ms = 0
        self._writer = Writer()
        self._stopping: bool | None = None
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._run, name="serial line", daemon=True)
        self._ear, self._bell = socket.socketpair()
        self._ear.setblocking(False)

    @property
    def is_up(self) -> bool:
        """Whether the bus is there for the node."""
        return self._node.up

    def start(self) -> None:
        """Open the line and start; the bus may come later. Raises Trouble where the line cannot be opened."""
        self._line = self._open()
        self._thread.start()

    def stop(self, *, graceful: bool = True) -> None:
        """Stop and wait for the end. Gracefully: with the node's parting word [LNK-16]."""
        if self._stopping is None:
            self._stopping = graceful
        with suppress(OSError):  # stopped already
            self._bell.send(b"!")
        if self._thread.ident is not None:
            self._thread.join()
        self._bell.close()
        self._ear.close()

    def wait_failed(self, timeout_s: float) -> None:
        """Wait. Raises RuntimeError as soon as the thread has failed."""
        if self._ended.wait(timeout_s) and self._stopping is None:
            raise RuntimeError("the participant failed")

    # ------------------------------------------------------------ the host's thread
    def _run(self) -> None:
        try:
            while self._stopping is None:
                self._node.tick(self._clock())
                self._exchange()
            if self._stopping:
                self._say_goodbye()
        finally:
            if self._line is not None:
                self._line.close()
            self._ended.set()

    def _exchange(self) -> None:
        """Write what waits, and wait for bytes or the next date."""
        if self._line is None:
            self._reopen()
        line = self._line
        try:
            if line is not None:
                self._writer.flush(line, self._node, time.monotonic_ns() / 1e6)
            if self._wait(line) and line is not None:
                self._node.feed(line.read(), self._clock())
        except LineGone:
            assert line is not None
            line.close()
            self._line, self._open_at_ms = None, self._clock() + AGAIN_MS

    def _reopen(self) -> None:
        if self._clock() < self._open_at_ms:
            return
        try:
            self._line = self._open()
        except Trouble:
            self._open_at_ms = self._clock() + AGAIN_MS
        self._writer.forget()

    def _wait(self, line: Line | None) -> bool:
        """Wait; gives whether the line has something to read."""
        now_ms = self._clock()
        until_ms = self._node.next_tick(now_ms)
        if line is None:
            until_ms = min(until_ms, max(now_ms, self._open_at_ms))
            # What waits for a line that is not there goes nowhere.
            self._node.take(now_ms)
        with selectors.DefaultSelector() as selector:
            selector.register(self._ear, selectors.EVENT_READ)
            if line is not None:
                write = selectors.EVENT_WRITE if self._writer.is_stuck else 0
                selector.register(line, selectors.EVENT_READ | write)
            ready = {key.fileobj: mask for key, mask in selector.select(max(1, until_ms - now_ms) / 1000)}
        return bool(ready.get(line, 0) & selectors.EVENT_READ) if line is not None else False

    def _say_goodbye(self) -> None:
        now_ms = self._clock()
        self._node.leave(now_ms, parting_of(self._node.participant, now_ms))
        end_ms = now_ms + AGAIN_MS
        with suppress(LineGone):
            while self._line is not None and self._clock() < end_ms:
                self._writer.flush(self._line, self._node, time.monotonic_ns() / 1e6)
                if not self._node.waits and not self._writer.is_stuck:
                    return
                time.sleep(0.001)
