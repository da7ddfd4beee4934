"""A cable between two pseudo-terminals, paced to a rate in baud, that can be unplugged and damaged."""

from __future__ import annotations

import os
import pty
import selectors
import threading
import time
import tty
from collections import deque
from collections.abc import Callable
from contextlib import suppress

BITS = 10


class Cable:
    """`board` and `host` are the paths of its two ends. Bytes arrive no sooner than the rate lets them."""

    def __init__(self, rate: int = 115_200) -> None:
        self.rate = rate
        self.up: Callable[[bytes], bytes] = bytes
        self.down: Callable[[bytes], bytes] = bytes
        self.carried = {True: 0, False: 0}
        self._masters: dict[bool, int] = {}
        self._slaves: dict[bool, int] = {}
        self.board, self.host = (self._end(of_board) for of_board in (True, False))
        self._stop, self._stopped = os.pipe()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _end(self, of_board: bool) -> str:
        master, slave = pty.openpty()
        tty.setraw(slave)
        os.set_blocking(master, False)
        # Held open, so that whoever opens the other end may come and go.
        self._masters[of_board], self._slaves[of_board] = master, slave
        return os.ttyname(slave)

    def __enter__(self) -> Cable:
        return self

    def __exit__(self, *_: object) -> None:
        os.write(self._stopped, b"!")
        self._thread.join()
        for fd in (*self._masters.values(), *self._slaves.values(), self._stop, self._stopped):
            with suppress(OSError):
                os.close(fd)

    def unplug(self) -> None:
        """Take the host's end out: its port is gone for good."""
        os.close(self._masters.pop(False))

    def from_board(self, data: bytes) -> None:
        """Bytes of the board's, such as a boot loader's, onto the line."""
        os.write(self._slaves[True], data)

    def _run(self) -> None:
        waiting: dict[bool, deque[tuple[float, bytes]]] = {True: deque(), False: deque()}
        free = {True: 0.0, False: 0.0}
        selector = selectors.DefaultSelector()
        selector.register(self._stop, selectors.EVENT_READ)
        for of_board, master in self._masters.items():
            selector.register(master, selectors.EVENT_READ, of_board)
        while True:
            now = time.monotonic()
            due = [queue[0][0] for queue in waiting.values() if queue]
            timeout = max(0.0, min(due) - now) if due else 1.0
            for key, _ in selector.select(timeout):
                if key.fd == self._stop:
                    selector.close()
                    return
                from_board: bool = key.data
                if from_board not in self._masters:
                    selector.unregister(key.fd)
                    continue
                try:
                    data = os.read(key.fd, 4096)
                except OSError:
                    continue
                now = time.monotonic()
                for octet in (self.up if from_board else self.down)(data):
                    free[from_board] = max(now, free[from_board]) + BITS / self.rate
                    waiting[from_board].append((free[from_board], bytes((octet,))))
                self.carried[from_board] += len(data)
            self._deliver(waiting)

    def _deliver(self, waiting: dict[bool, deque[tuple[float, bytes]]]) -> None:
        now = time.monotonic()
        for from_board, queue in waiting.items():
            out = bytearray()
            while queue and queue[0][0] <= now:
                out += queue.popleft()[1]
            if out and (not from_board) in self._masters:
                with suppress(BlockingIOError):
                    os.write(self._masters[not from_board], bytes(out))
