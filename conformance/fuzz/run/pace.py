"""How many cases go into one batch: as many as keep the board at work, and no more than it answers in a while.

A board that answers in 5 ms gets batches at the rate that is allowed; one that needs 500 ms gets a few orders at a
time and is waited for as long as it takes.
"""

from __future__ import annotations

LARGEST = 48
BATCH_MS = 3000
"""What a batch should take: long beside the exchange that proves that the node lives, short to look for a culprit."""
SMOOTH = 0.3
PATIENCES = 3


class Pace:
    """Learns from every batch how long one case takes."""

    def __init__(self, least_patience_ms: float) -> None:
        self._least_ms = least_patience_ms
        self.case_ms = 0.0
        """What one case takes, smoothed; 0 while that is unknown."""

    def took(self, cases: int, ms: float) -> None:
        """So many cases and their answers took `ms`."""
        each = ms / max(1, cases)
        self.case_ms = each if not self.case_ms else self.case_ms + SMOOTH * (each - self.case_ms)

    @property
    def size(self) -> int:
        """Cases in the next batch."""
        return max(1, min(LARGEST, int(BATCH_MS / self.case_ms))) if self.case_ms else 1

    @property
    def patience_ms(self) -> float:
        """How long the answer to a batch is waited for."""
        return max(self._least_ms, PATIENCES * self.case_ms * self.size)
