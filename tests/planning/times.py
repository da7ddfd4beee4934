"""How long jobs of harlow-basin take, from the figures of its site file alone: nothing of the planner's is used.

A move from rest to rest reaches the speed v = min(V, sqrt(a d)) and takes v/a to get there, v/a to come to rest, and
the rest of the way at v (Newton's equations of motion for constant acceleration).
"""

from __future__ import annotations

import tomllib
from math import sqrt
from typing import Any

from protocol.site_file import scenario_text
from reference_node.supervisor.observe.boxes import Spot

NODES: dict[str, Any] = tomllib.loads(scenario_text())["nodes"]
BETWEEN_JOBS = 100
GRIP = 400
RUN = 4_000 + BETWEEN_JOBS
ADMIT = 23_000 + BETWEEN_JOBS
DEPART = 7_000 + BETWEEN_JOBS
MIDDLE_OF_THE_TABLE = 327
"""Where the hook of the fifth of eight pairs (221, 327) has slot 0 of a train."""


def transfer(crane: str, start: Spot | None, source: Spot, target: Spot) -> int:
    """From `start` (None: no way) to the box, down, close, up, across, down, open, up; in ms."""
    way = _across(crane, start, source) if start is not None else 0.0
    hoists = 2 * (_hoist(crane, source) + _hoist(crane, target))
    return round(1000 * (way + _across(crane, source, target) + hoists) + 2 * GRIP + BETWEEN_JOBS)


def _across(crane: str, start: Spot, end: Spot) -> float:
    """Seconds until the slower of x and y has arrived."""
    (x, y, _), (to_x, to_y, _) = _over(crane, start), _over(crane, end)
    return max(_seconds(crane, 0, to_x - x), _seconds(crane, 1, to_y - y))


def _hoist(crane: str, spot: Spot) -> float:
    return _seconds(crane, 2, _over(crane, spot)[2] - NODES[crane]["crane"]["travel"])


def _seconds(crane: str, axis: int, way: float) -> float:
    figures = NODES[crane]["crane"]["axes"][axis]
    acceleration, distance = figures["acceleration"], abs(way)
    speed = min(figures["speed"], sqrt(acceleration * distance))
    return 2 * speed / acceleration + (distance - speed**2 / acceleration) / speed if distance else 0.0


def _over(crane: str, spot: Spot) -> tuple[int, int, int]:
    x, y, z = NODES[crane]["crane"]["places"][spot.place]["slots"][spot.slot]
    return x + (MIDDLE_OF_THE_TABLE if spot.place == "siding" else 0), y, z
