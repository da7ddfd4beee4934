"""How the body of a case asks to be left alone together with others.

Such a body is a generator. Up to its `yield` it brings the node into the state that it wants to watch; it yields for
how many ms at least nothing may be sent, and gets what was heard in that time.
"""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass

from conformance.oracle.link_log import Message


@dataclass(frozen=True, slots=True)
class Observation:
    """A time in which nothing was sent: what came, and when it began."""

    heard: tuple[Message, ...]
    began_ms: float


Observing = Generator[float, Observation, None]
"""Yields once: ms to be left alone."""
