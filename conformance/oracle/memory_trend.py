"""The oracle of memory: does what a node reports as free sink for good?"""

from __future__ import annotations

SAMPLES = 48
"""Fences over which free memory is followed, in three parts."""
LEAK = 64
"""Bytes by which the best of a part must lie below the best of the part before, at the least."""
SHARE = 256
"""And by one part in so many of what was free: a large heap with a collector sinks a little for a long time."""
MOST = 2**32 - 1
"""What a node says that has more than the field can hold: it tells nothing of a trend."""


class MemoryTrend:
    """Free memory in bytes, fence by fence; a heap that breathes is no leak, so only the best of a part counts."""

    def __init__(self) -> None:
        self._seen: list[int] = []

    def clear(self) -> None:
        """A new boot: begin again."""
        self._seen.clear()

    def sinks(self, free: int | None) -> str:
        """Take in what the node says; gives in words what is wrong, or ''."""
        if free is None or free == MOST:
            return ""
        self._seen.append(free)
        if len(self._seen) < SAMPLES:
            return ""
        part = SAMPLES // 3
        best = [max(self._seen[at : at + part]) for at in range(0, SAMPLES, part)]
        self._seen.clear()
        step = max(LEAK, best[0] // SHARE)
        if best[0] - step > best[1] and best[1] - step > best[2]:
            return f"free memory sinks: {best[0]}, {best[1]}, {best[2]} bytes"
        return ""
