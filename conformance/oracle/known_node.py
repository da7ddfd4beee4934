"""What a sender of orders knows of a node."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class KnownNode:
    """The node as a sender of orders has to know it, by what it said last and by what came since."""

    boot: int
    sure: bool
    mark: int
    holds: int
    job: int | None
