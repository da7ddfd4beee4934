"""One faulty node or supervisor with each seed, until one finds nothing."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple, Protocol

from tests.matrix.outcome import CAUGHT, EQUIVALENT, SURVIVED, UNVISITED, Outcome


class Entry(Protocol):
    """An entry of the matrix."""

    @property
    def id(self) -> str:
        """Its name."""

    @property
    def requirement(self) -> str:
        """What it breaks."""


class Look(NamedTuple):
    """What a run of the suite with one seed came to."""

    failed: tuple[str, str] | None
    """The first case that failed, and the requirement that it names."""
    shown: bool
    """Whether the breach showed at all."""
    crash: str
    """What the firmware crashed with."""


def over_seeds(
    entry: Entry, seeds: tuple[int, ...], look: Callable[[int, str], Look], differs: Callable[[], bool]
) -> Outcome:
    """`look` runs the suite with a seed, the case that failed before first; `differs` drives it elsewhere."""
    case, named, caught, crash = "", "", 0, ""
    for seed in seeds:
        found = look(seed, case)
        crash = crash or found.crash
        if found.failed is None:
            if seed == seeds[0] and not found.shown:
                return Outcome(entry.id, entry.requirement, UNVISITED if differs() else EQUIVALENT)
            return Outcome(entry.id, entry.requirement, SURVIVED, case, named, caught, caught + 1, crash)
        caught += 1
        if not case:
            case, named = found.failed
    return Outcome(entry.id, entry.requirement, CAUGHT, case, named, caught, caught, crash)
