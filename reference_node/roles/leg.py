"""One leg of a crane's job."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Leg:
    """`begin` may be called again after a hold; `ended` tells whether the next leg may begin."""

    step: str
    begin: Callable[[], None]
    ended: Callable[[], bool]
