"""Makes the way to a difference short: plays ever longer ends of what was played, then leaves out what it can."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

from conformance.suite.verdict import Broken
from conformance.suite.walk.desk import Desk
from conformance.suite.walk.machine import Machine

LONGEST = 256
Trail = Sequence[tuple[Desk, str]]
Steps = list[tuple[Desk, str]]


@dataclass(frozen=True, slots=True)
class Again:
    """What an attempt played, to the difference that it ended in."""

    steps: Steps
    broken: Broken


Attempt = Callable[[Callable[[Desk], list[str] | None]], Again | None]
"""Brings the node to where an attempt begins, asks which letters to play from there, and plays them."""


def shortest(machine: Machine, trail: Trail, broken: Broken, attempt: Attempt, tries: int) -> Again | None:
    """The shortest sequence found within so many tries that breaks the same requirement; None where none does."""
    left = tries
    best: Again | None = None
    length = 1
    while best is None and left > 0:
        left -= 1
        best = _same(attempt(_end(machine, trail, length)), broken)
        if length >= min(len(trail), LONGEST):
            break
        length *= 2
    return None if best is None else _without(best, broken, attempt, left)


def _end(machine: Machine, trail: Trail, length: int) -> Callable[[Desk], list[str] | None]:
    """The last letters of what was played, behind the shortest way to where they began."""
    last = trail[-length:]

    def letters(start: Desk) -> list[str] | None:
        way = machine.path(start, [last[0][0]])
        return None if way is None else [*way, *(letter for _, letter in last)]

    return letters


def _without(best: Again, broken: Broken, attempt: Attempt, tries: int) -> Again:
    """Leave out what is not needed, as delta debugging does: halves first, then ever smaller parts."""
    size = max(1, len(best.steps) // 2)
    while tries > 0:
        at, shrunk = 0, False
        while at < len(best.steps) - 1 and tries > 0:
            letters = [letter for _, letter in best.steps]
            del letters[at : min(at + size, len(letters) - 1)]
            tries -= 1
            shorter = _same(attempt(partial(_exactly, letters)), broken)
            if shorter is not None and len(shorter.steps) < len(best.steps):
                best, shrunk = shorter, True
            else:
                at += size
        if size == 1 and not shrunk:
            break
        size = max(1, size // 2)
    return best


def _exactly(letters: list[str], _start: Desk) -> list[str]:
    return letters


def _same(again: Again | None, broken: Broken) -> Again | None:
    return again if again is not None and again.broken.requirement == broken.requirement else None
