"""A berth that counts pulses of the end sensor, as is often built: right for one train, wrong for another."""

from __future__ import annotations

from reference_node.mechanism.edge import Edge
from reference_node.sensing.arrival import ArrivalSettings
from reference_node.sensing.debounce import Debounce


class CountingBerth:
    """Creeps from the last pulse but one, cuts the power at the last; debounces as the real one does."""

    def __init__(self, pulses: int, settings: ArrivalSettings, patience_ms: int = 60_000) -> None:
        self._left, self._settings, self._patience_ms = pulses, settings, patience_ms
        self._line = Debounce(False, settings.settle_us)
        self._over_ms: int | None = None
        self.under_way = True

    @property
    def stopped(self) -> bool:
        """Whether it has counted to the end."""
        return self._left == 0

    @property
    def power(self) -> int:
        if self._left == 0 or not self.under_way:
            return 0
        return self._settings.creep_power if self._left == 1 else self._settings.admit_power

    @property
    def due_ms(self) -> int | None:
        line = None if self._line.due_us is None else -(-self._line.due_us // 1000)
        over = self._patience_ms if self._over_ms is None else self._over_ms
        return over if line is None else min(line, over)

    def edge(self, edge: Edge) -> None:
        if edge.sensor == "end":
            self._settle(edge.at_us)
            self._line.feed(edge.at_us, edge.closed)

    def tick(self, now_ms: int) -> None:
        self._settle(now_ms * 1000)
        if self._left == 0 and self._over_ms is None:
            self._over_ms = now_ms + self._settings.rest_ms
        if now_ms >= (self._patience_ms if self._over_ms is None else self._over_ms):
            self.under_way = False

    def _settle(self, now_us: int) -> None:
        if self._line.settle(now_us) is not None and self._line.level and self._left:
            self._left -= 1
