"""One change of level on a sensor line: all that a controller ever sees of a sensor."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Edge:
    """The line of `sensor` became closed or open `at_us` microseconds after the node started.

    `at_us` does not wrap: only what goes on the wire is cut to 32 bits of milliseconds.
    """

    at_us: int
    sensor: str
    closed: bool
