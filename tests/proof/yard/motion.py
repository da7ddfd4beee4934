"""How a modelled machine keeps time."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

from reference_node.snapshot.how import BASE_MS
from tests.proof.yard.world import World

MOTION_MS = 10
"""From a command to what it brings about."""


@dataclass(slots=True)
class Clock:
    """The node's time, and when the motion under way will be over."""

    now_ms: int = BASE_MS
    due_ms: int = BASE_MS


class Host(Protocol):
    """What one machine asks of all machines of its node."""

    world: World
    jammed: bool

    def began(self, lasts_ms: int = MOTION_MS) -> None: ...
