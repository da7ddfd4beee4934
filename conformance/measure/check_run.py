"""The verifying run: arrivals at readings that were not measured, against what the table was stated to hold."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

from conformance.measure.pairs import Pair
from protocol.position_table import PositionTable

STATED = 0.05
"""Share of landings that lie outside what is stated."""
FEWEST = 8
"""With fewer arrivals nothing is shown."""
UNLIKELY = 0.025
"""So many outside that chance makes as many in fewer than this share of runs are too many."""


@dataclass(frozen=True, slots=True)
class Checked:
    """What a run showed of a table."""

    number: int
    """Arrivals that count."""
    outside: int
    within: float
    """What is stated: 95 % of all landings are no further off."""
    worst: float
    """The largest difference, table less place found, with its sign."""
    worst_at: int
    """The reading of it."""
    chance: float
    """How often so many outside, or more, come about where the statement is true."""
    known: int
    """Arrivals left out: their reading had been measured."""
    beyond: int
    """Arrivals left out: the table does not reach there."""

    @property
    def holds(self) -> bool | None:
        """Whether it is as stated; None where too few arrivals were measured."""
        if self.chance < UNLIKELY:
            return False
        return True if self.number >= FEWEST else None


def checked(
    table: PositionTable, within: float, measured: Collection[int], checks: Sequence[Sequence[Pair]]
) -> Checked:
    """Hold each arrival against the table: the first position that was found there, as the crane would land once.

    `measured` are the readings that the table rests on; `checks` are the pairs of each arrival.
    """
    from scipy.stats import binom

    new = [pairs[0] for pairs in checks if pairs[0].reading not in measured]
    inside = [pair for pair in new if table.low <= pair.reading <= table.high]
    off = [(table.position(pair.reading) - pair.position, pair.reading) for pair in inside]
    worst, worst_at = max(off, key=lambda one: abs(one[0]), default=(0.0, 0))
    outside = sum(abs(one) > within for one, _ in off)
    chance = float(binom.sf(outside - 1, len(off), STATED)) if off else 1.0
    known, beyond = len(checks) - len(new), len(new) - len(inside)
    return Checked(len(off), outside, within, worst, worst_at, chance, known, beyond)
