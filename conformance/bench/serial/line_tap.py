"""A tap on a real serial line, at the gateway's port: what passes is kept, and may be damaged, muted or added to."""

from __future__ import annotations

import threading
import time

from conformance.suite.line import Line
from protocol.trouble import Trouble
from protocol.wire.serial.port import Line as Port
from protocol.wire.serial.port import LineGone, OpenLine


class LineTap(Line):
    """Stands between a gateway and the port that it would open. Its methods may be called from any thread."""

    def __init__(self, open_port: OpenLine, rate: int, port: str = "") -> None:
        """`open_port` opens the port itself, `rate` is its own in baud, `port` its path."""
        super().__init__(rate)
        self.port = port
        self._open_port = open_port
        self._port: Port | None = None
        self._muted = False
        self._lock = threading.Lock()

    def open(self) -> Port:
        """Open the port, with the tap on it. Raises Trouble."""
        try:
            self._port = self._open_port()
        except Trouble as trouble:
            self.trouble = trouble.what
            raise
        self.trouble = ""
        return _Tapped(self, self._port)

    def send(self, raw: bytes) -> None:
        """Put bytes on the line towards the node."""
        port = self._port
        if port is not None:
            try:
                self._write(port, raw)
            except LineGone as gone:
                self.trouble = str(gone)

    def mute(self, muted: bool) -> None:
        """Lose what the gateway sends."""
        self._muted = muted

    def pass_down(self, port: Port, data: bytes) -> int:
        """What the gateway sends; gives how much of it was taken."""
        if passed := self.came_down(data, muted=self._muted):
            self._write(port, passed)
        return len(data)

    def pass_up(self, data: bytes) -> bytes:
        """What the node has sent, as the gateway gets it."""
        with self._lock:
            self.log.add(data, from_node=True, at_ms=time.monotonic_ns() / 1e6)
        return self.came_up(data)

    def _write(self, port: Port, data: bytes) -> None:
        """Whole, whatever the port takes at once: half a frame in front of another would be damage of our own."""
        with self._lock:
            rest = data
            while rest:
                taken = port.write(rest)
                rest = rest[taken:]
                if rest:
                    time.sleep(0.001)
            self.log.add(data, from_node=False, at_ms=time.monotonic_ns() / 1e6)


class _Tapped:
    """The open port as the gateway sees it."""

    def __init__(self, tap: LineTap, port: Port) -> None:
        self._tap, self._port = tap, port

    def fileno(self) -> int:
        return self._port.fileno()

    def read(self) -> bytes:
        try:
            data = self._port.read()
        except LineGone as gone:
            self._tap.trouble = str(gone)
            raise
        return self._tap.pass_up(data) if data else b""

    def write(self, data: bytes) -> int:
        try:
            return self._tap.pass_down(self._port, data)
        except LineGone as gone:
            self._tap.trouble = str(gone)
            raise

    def close(self) -> None:
        self._port.close()
