"""How a crane is brought over a slot: jog by jog, one axis at a time, the hoist first; after a hold no jog follows."""

from __future__ import annotations

from collections.abc import Callable, Generator

from protocol.position_table import OutsideTable, PositionTable
from reference_node.measuring.jobs import Jobs, Looks
from reference_node.measuring.jogs import Jogs, NotJogged
from reference_node.measuring.plan import Plan

SHORT = 10
"""'over' stops so far short of where the table has the slot: the last way is a person's, from below."""

Tried = Generator[None, None, bool]
"""Goes on with each look around, and gives whether it came about."""


class Ways:
    """The jogs of one crane over one track."""

    def __init__(self, jobs: Jobs, plan: Plan, tell: Callable[[str], None]) -> None:
        """`tell` is called with lines for the person."""
        self._jobs, self._plan, self._tell = jobs, plan, tell
        self._crane = jobs.crane
        self.entry = self._crane.places[plan.place]
        self.jogs = Jogs.of(self._crane, plan.largest)
        self.came_up: bool | None = None
        """Whether the first axis came from smaller figures; None where it was not moved."""
        self.cut_short = False
        """Whether there was a hold since the last word: what was still to follow is not done after it."""

    def step(self, axis: str, step: int) -> Looks:
        """One step of one axis, as a person says."""
        try:
            target = self.jogs.step(self._jobs.stands, self.jogs.axis(axis), step)
        except NotJogged as error:
            self._tell(f"not done: {error}")
            return
        yield from self._jog(target)

    def raised(self) -> Tried:
        """The hoist to its travel height."""
        return (yield from self._along(self.jogs.hoist, self._crane.travel))

    def over(self, reading: int) -> Looks:
        """The hoist first, then the first axis to short of the slot, then the others: each alone."""
        slot = self.entry.slots[self._plan.slot]
        try:
            first = PositionTable.of(self.entry.table).position(reading) + slot[0] - SHORT
        except OutsideTable:
            self._tell("the present table does not reach there: jog by hand")
            return
        axis = self._crane.axes[0]
        first = min(max(first, axis.least), axis.most)
        if not (yield from self.raised()):
            return
        # From further below where it stands above, so that it comes up.
        if self._jobs.stands[0] > first and not (yield from self._along(0, max(first - SHORT, axis.least))):
            return
        for number, to in enumerate((first, *slot[1:-1])):
            if not (yield from self._along(number, to)):
                return

    def _along(self, axis: int, to: int) -> Tried:
        """Bring one axis to `to`, step by step; False where it did not come there."""
        try:
            way = self.jogs.way(self._jobs.stands, axis, to)
        except NotJogged as error:
            self._tell(f"not done: {error}")
            return False
        for target in way:
            if not (yield from self._jog(target)):
                return False
        return True

    def _jog(self, target: tuple[int, ...]) -> Tried:
        """One jog; False where it was not done. After a hold nothing follows by itself."""
        at = self._jobs.stands
        if self.cut_short:
            return False
        sent = yield from self._jobs.job(self._plan.crane, "jog", target=list(target))
        done = sent is not None and sent.state == "done"
        if done and target[0] != at[0]:
            self.came_up = target[0] > at[0]
        return done
