"""Plays the sensor inputs that a tester ordered, on the node's own clock."""

from __future__ import annotations

import heapq
from collections.abc import Iterable, Sequence
from itertools import count

from reference_node.mechanism.edge import Edge


class StimulusPlayer:
    """Inputs of one or more stimuli, each entry a delay after the one before in its list [BEN-02]."""

    def __init__(self) -> None:
        self._coming: list[tuple[int, int, Edge]] = []
        self._order = count()

    def add(self, inputs: Iterable[Sequence[object]], now_ms: int) -> None:
        """Begin a list of (sensor, level, delay in ms)."""
        at_us = now_ms * 1000
        for sensor, level, delay_ms in inputs:
            at_us += int(str(delay_ms)) * 1000
            heapq.heappush(self._coming, (at_us, next(self._order), Edge(at_us, str(sensor), bool(level))))

    @property
    def next_us(self) -> int | None:
        """When the next input comes, or None."""
        return self._coming[0][0] if self._coming else None

    def take(self, until_us: int) -> list[Edge]:
        """The inputs up to `until_us`, in order."""
        taken = []
        while self._coming and self._coming[0][0] <= until_us:
            taken.append(heapq.heappop(self._coming)[2])
        return taken
