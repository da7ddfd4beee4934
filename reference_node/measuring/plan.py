"""What is to be measured, what a measurement waits for, and what it finds."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

PATIENCE_MS = 300_000


class Phase(StrEnum):
    """What it waits for."""

    STARTING = "starting"
    ASKED = "asked"
    """A question is open."""
    TRAIN = "train"
    """Somebody has to say that a train may come."""
    AT_REST = "at rest"
    """Somebody has to say how to jog."""
    MOVING = "moving"
    OVER = "over"


@dataclass(frozen=True, slots=True)
class Found:
    """One 'that is it': the pair, with the slot's own figure taken off, so that it is a point of the table."""

    reading: int
    position: float
    came_up: bool | None
    """Whether the first axis came from smaller figures; None where it has not been moved since the train rests."""
    train: str
    arrival: int


@dataclass(frozen=True, slots=True)
class Plan:
    """Which crane over which track, over which slot, and how patient it is."""

    crane: str
    place: str
    slot: int = 0
    largest: int | None = None
    patience_ms: int = PATIENCE_MS
    trains: tuple[str, ...] = ()
    """Locomotives that come in turn, where 'admit' and 'next' name none."""
