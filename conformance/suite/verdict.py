"""Verdicts, in the terms of ISO/IEC 9646, and how several of them become one.

The order none < pass < inconclusive < fail < error and the rule that a verdict only ever gets worse are those
of ETSI ES 201 873-1 (TTCN-3 core language), clause 24.
"""

from __future__ import annotations

from collections.abc import Iterable
from enum import IntEnum


class Verdict(IntEnum):
    """What a case says of the node under test; a larger one outweighs a smaller one."""

    NONE = 0
    """Not judged: the case was not run, or had no occasion."""
    PASS = 1
    """All that was expected was seen."""
    INCONCLUSIVE = 2
    """Nothing wrong was seen, and what was to be shown was not shown either."""
    FAIL = 3
    """Something was seen that a requirement forbids, or not seen that it demands."""
    ERROR = 4
    """The kit itself went wrong; it says nothing of the node."""

    @property
    def word(self) -> str:
        """The verdict as reports print it."""
        return self.name.lower()


def overall(verdicts: Iterable[Verdict]) -> Verdict:
    """The worst of them; NONE where there are none."""
    return max(verdicts, default=Verdict.NONE)


class Broken(Exception):  # an ending of a case, not an error of the kit
    """A requirement is broken: ends the case with `fail`."""

    def __init__(self, requirement: str, expected: str, seen: str, at: int | None = None) -> None:
        """`at` is the number of the trace that shows it; None for the newest."""
        super().__init__(f"{requirement}: expected {expected}; seen {seen}")
        self.requirement, self.expected, self.seen, self.at = requirement, expected, seen, at


class Unclear(Exception):
    """What the case needs could not be brought about: ends the case with `inconclusive`."""


class IdsUsedUp(Unclear):
    """The mark of this boot is so high that no claim fits above it [SUP-03]: only a restart of the node helps."""


class NoOccasion(Exception):
    """What the case judges did not occur, and nothing can bring it about: ends the case with `none`."""
