"""A clock that never wraps, made of one that does."""

import time


class Clock:
    """Milliseconds since it was made, from `time.ticks_ms`; ask it at least once in some days."""

    def __init__(self, begin_ms: int = 0) -> None:
        self._last = time.ticks_ms()
        self._now_ms = begin_ms

    def __call__(self) -> int:
        """Milliseconds up to now."""
        now = time.ticks_ms()
        self._now_ms += time.ticks_diff(now, self._last)
        self._last = now
        return self._now_ms
