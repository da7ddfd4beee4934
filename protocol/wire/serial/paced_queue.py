"""What waits for a serial line: written as the line carries it, so that nothing old waits in a driver."""

from __future__ import annotations

from collections import deque

BITS = 10
"""Of one byte: a start bit, 8 data bits, a stop bit."""
LEAD_MS = 2.0
"""How long before the line is free the next frame is written: whoever waits wakes a millisecond late, and a line that
falls idle between two frames would carry small ones at half its rate."""


class PacedQueue:
    """Frames that wait, in their order. Times are milliseconds of the caller's clock, with fractions."""

    def __init__(self, rate: int | None = None) -> None:
        """`rate` in baud; None for a line that takes whatever comes."""
        self._ms_a_byte = 0.0 if rate is None else BITS * 1000 / rate
        self._waiting: deque[bytes] = deque()
        self._free_ms = 0.0

    def __len__(self) -> int:
        return len(self._waiting)

    def put(self, frame: bytes) -> None:
        """Add a frame behind those that wait."""
        self._waiting.append(frame)

    def clear(self) -> None:
        """Drop what waits; what was taken is on the line."""
        self._waiting.clear()

    def take(self, now_ms: float) -> bytes:
        """The next frame if the line is free or about to be, which it then no longer is; else nothing."""
        if not self._waiting or now_ms < self._free_ms - LEAD_MS:
            return b""
        frame = self._waiting.popleft()
        self._free_ms = max(now_ms, self._free_ms) + len(frame) * self._ms_a_byte
        return frame

    @property
    def next_ms(self) -> int:
        """When `take` gives the next frame at the latest: a whole millisecond."""
        return int(self._free_ms - LEAD_MS) + 1
