"""The gateway: one thread between serial ports and the bus, with a connection of its own for every board.

A connection is never kept for another life of its board: it ends without a DISCONNECT, and the broker sends the will.
"""

from __future__ import annotations

import selectors
import socket
import sys
import threading
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass

from protocol.site import NodeSite
from protocol.wire.endpoint import Endpoint
from protocol.wire.mqtt import monotonic_ms
from protocol.wire.serial.board import Board
from protocol.wire.serial.port import OpenLine

GIVE_WAY_S = 0.0005
"""How long another thread of this program may compute while bytes wait for the gateway's. Python's own 5 ms are as much
as gateway and queue may add in all, and a message passes several threads where kit and gateway are one program."""
LOOK_MS = 250
"""How soon a link is looked after again, whatever happens."""


@dataclass(frozen=True, slots=True)
class Fleet:
    """Whose boards may come, and how each is let in at the broker."""

    site: str
    nodes: Mapping[str, NodeSite]
    endpoint: Callable[[str], Endpoint]
    """Name of a node to where and how it connects. Raises Trouble where it is not to be let in."""


class Gateway:
    """Serves several ports until it is stopped. An error on its thread leaves the thread, and stops the program."""

    def __init__(
        self,
        ports: Sequence[tuple[str, OpenLine]],
        fleet: Fleet,
        *,
        rate: int | None = None,
        clock: Callable[[], int] = monotonic_ms,
    ) -> None:
        """`ports` are names to be shown and ways to open each; `rate` in baud paces what goes out."""
        self._clock = clock
        self._ear, self._bell = socket.socketpair()
        self._ear.setblocking(False)
        self.boards = [
            Board(name, open_line, fleet.endpoint, self._admit, self.ring, clock, rate=rate)
            for name, open_line in ports
        ]
        self._fleet = fleet
        self._stopping = False
        self._thread = threading.Thread(target=self._run, name="gateway", daemon=True)

    def start(self) -> None:
        """Start; ports and brokers that are not there are tried again and again."""
        self._switch_s = sys.getswitchinterval()
        sys.setswitchinterval(min(self._switch_s, GIVE_WAY_S))
        self._thread.start()

    def stop(self) -> None:
        """End every connection without a DISCONNECT: the broker says that the boards are gone. Then end the thread."""
        self._stopping = True
        self.ring()
        if self._thread.ident is not None:
            self._thread.join()
            sys.setswitchinterval(self._switch_s)
        self._bell.close()
        self._ear.close()

    def __enter__(self) -> Gateway:
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()

    def ring(self) -> None:
        """Wake the thread."""
        with suppress(OSError):  # stopped already
            self._bell.send(b"!")

    def _admit(self, site: str, name: str) -> NodeSite | None:
        """A board of this site that no other port has [LNK-17]."""
        node = self._fleet.nodes.get(name)
        taken = any(board.name == name for board in self.boards)
        if site != self._fleet.site or node is None or node.is_supervisor or taken:
            return None
        return node

    def _run(self) -> None:
        try:
            while not self._stopping:
                for board in self.boards:
                    board.work()
                self._wait()
        finally:
            for board in self.boards:
                board.end()

    def _wait(self) -> None:
        now_ms = self._clock()
        due = [now_ms + LOOK_MS, *(board.next_ms(now_ms) for board in self.boards)]
        with selectors.DefaultSelector() as selector:
            selector.register(self._ear, selectors.EVENT_READ)
            for board in self.boards:
                board.register(selector)
            ready = selector.select(max(1, min(due) - now_ms) / 1000)
        for key, mask in ready:
            if key.fileobj is self._ear:
                self._ear.recv(4096)
            else:
                key.data(mask)
