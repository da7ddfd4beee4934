"""Writes what waits for a line, as far as the line takes it."""

from __future__ import annotations

from typing import Protocol

from protocol.wire.serial.port import Line


class Waiting(Protocol):
    """Where frames wait."""

    def take(self, now_ms: float) -> bytes:
        """The next one that can go out now; b'' where none can."""


class Writer:
    """Keeps what the system has not taken of a frame: a frame is sent whole or cut off by the line's end."""

    def __init__(self) -> None:
        self._rest = b""

    @property
    def is_stuck(self) -> bool:
        """Whether the system takes no more at the moment."""
        return bool(self._rest)

    def flush(self, line: Line, waiting: Waiting, now_ms: float) -> None:
        """Write. Raises LineGone."""
        while self._rest or (frame := waiting.take(now_ms)):
            self._rest = self._rest or frame
            taken = line.write(self._rest)
            self._rest = self._rest[taken:]
            if self._rest:
                return

    def forget(self) -> None:
        """Another line begins with its own first byte."""
        self._rest = b""
