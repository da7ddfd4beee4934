"""The crane jogged over a slot: axis by axis, in steps that a person can follow, and the last way from below."""

from __future__ import annotations

from collections.abc import Callable

from protocol.position_table import OutsideTable, PositionTable
from reference_node.measuring.jogs import NotJogged
from reference_node.measuring.orders import Looks, Orders, Tried

SHORT = 10
"""'over' stops so far short of where the table has the slot: the last way is a person's, from below."""


class Jogging:
    """Moves the crane of one measurement by jogs, as far as nothing stands against one."""

    def __init__(self, orders: Orders, tell: Callable[[str], None]) -> None:
        self._orders, self._jogs, self._tell = orders, orders.jogs, tell
        self._entry, self._slot = orders.crane.places[orders.plan.place], orders.plan.slot
        self.came_up: bool | None = None
        """Whether the first axis came from smaller figures; None where it was not moved since the train rests."""
        self.cut_short = False
        """Whether there was a hold since the last word: what was still to follow is not done after it."""

    def step(self, axis: str, step: int) -> Looks:
        """Jog one axis by so much."""
        try:
            target = self._jogs.step(self._stands(), self._jogs.axis(axis), step)
        except NotJogged as error:
            self._tell(f"not done: {error}")
            return
        yield from self._jog(target)

    def raise_(self) -> Tried:
        """Bring the hoist to the height in which the crane travels."""
        return (yield from self._along(self._jogs.hoist, self._orders.crane.travel))

    def over(self, reading: int) -> Looks:
        """The hoist first, then the first axis to short of the slot, then the others: each alone."""
        slot = self._entry.slots[self._slot]
        try:
            first = PositionTable.of(self._entry.table).position(reading) + slot[0] - SHORT
        except OutsideTable:
            self._tell("the present table does not reach there: jog by hand")
            return
        axis = self._orders.crane.axes[0]
        first = min(max(first, axis.least), axis.most)
        if not (yield from self.raise_()):
            return
        # From further below where it stands above, so that it comes up.
        if self._stands()[0] > first and not (yield from self._along(0, max(first - SHORT, axis.least))):
            return
        for number, to in enumerate((first, *slot[1:-1])):
            if not (yield from self._along(number, to)):
                return

    def _along(self, axis: int, to: int) -> Tried:
        """Bring one axis to `to`, step by step; False where it did not come there."""
        try:
            way = self._jogs.way(self._stands(), axis, to)
        except NotJogged as error:
            self._tell(f"not done: {error}")
            return False
        for target in way:
            if not (yield from self._jog(target)):
                return False
        return True

    def _jog(self, target: tuple[int, ...]) -> Tried:
        """One jog; False where it was not done. After a hold nothing follows by itself."""
        at = self._stands()
        if self.cut_short:
            return False
        sent = yield from self._orders.job(self._orders.plan.crane, "jog", target=list(target))
        done = sent is not None and sent.state == "done"
        if done and target[0] != at[0]:
            self.came_up = target[0] > at[0]
        return done

    def _stands(self) -> tuple[int, ...]:
        return tuple(int(axis[0]) for axis in self._orders.crane_word()["axes"])
