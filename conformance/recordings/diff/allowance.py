"""How much further off a time may be where good runs came from a computer that stands still now and then.

A bound is learned for each time of a run by itself, and a run has hundreds of them. Where a computer stalls, nearly
every run has one that is beyond its own bound: somewhere else each time, so that no bound can know of it. So it is
asked how far beyond its bounds each good run is at its farthest.
"""

from __future__ import annotations

from array import array
from collections.abc import Sequence
from math import inf

from conformance.recordings.diff.difference import Comparison, Difference
from conformance.recordings.diff.differences import with_history

LEAST_RUNS = 10
"""With fewer good runs nothing can be said of the farthest of them."""
TRUSTED_SHARE = 0.9
"""Of runs that are only taken for good, one in ten may not be."""
FARTHEST_TAIL = 5.0
"""The farthest tail that is believed in, of shape 1."""
MOST_HISTORIES = 32


def allowance_ms(beyond: Sequence[float]) -> float:
    """How far beyond its bound a time may be; `beyond` are the good runs, each where it is farthest, 0 for within.

    Stalls have a far tail. In one of Pareto's kind the forty-ninth of fifty runs is as many times as far as the ninth
    of ten as that one is as far as the fifth. Where nine of ten good runs keep their bounds it is 0.
    """
    if len(beyond) < LEAST_RUNS:
        return 0.0
    ordered = sorted(beyond)
    middle, high = ordered[len(ordered) // 2], ordered[int(TRUSTED_SHARE * (len(ordered) - 1))]
    return high * (min(FARTHEST_TAIL, high / middle) if middle > 0 else FARTHEST_TAIL)


class Judged:
    """What has to be kept of a comparison until it is known what is allowed."""

    def __init__(self, result: Comparison) -> None:
        from conformance.recordings.diff.text import how_far

        self.complete = result.complete
        self.how_far = "" if result.complete else how_far(result)
        self.notes = tuple(result.notes)
        self._beyond_ms = array("d", (one.beyond_ms for one in result.differences))
        self._firsts: list[Difference] = []
        """Each that is farther than all before it: one of these is the first, whatever is allowed."""
        most = 0.0
        for one in result.differences:
            if one.beyond_ms > most:
                most = one.beyond_ms
                known = len(self._firsts)
                self._firsts.append(with_history(one, result.other) if known < MOST_HISTORIES else one)
            if most == inf:
                break

    def first(self, allowed_ms: float) -> Difference | None:
        """The first difference that is not excused."""
        return next((one for one in self._firsts if one.beyond_ms > allowed_ms), None)

    def number(self, allowed_ms: float) -> int:
        """How many are not excused."""
        return sum(beyond > allowed_ms for beyond in self._beyond_ms)
