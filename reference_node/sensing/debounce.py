"""Debounce of one sensor line: a level counts once it has stood still for a while."""

from __future__ import annotations


class Debounce:
    """Takes raw edges and time, in us, and tells which level is to be believed (requirement BER-08).

    A burst of edges closer together than `settle_us` counts once, as a change at its last edge, if it leaves
    the line at another level than before; a shorter pulse, as a motor induces, does not count at all.
    """

    def __init__(self, level: bool, settle_us: int) -> None:
        self.level = level
        self._raw, self._since_us, self._settle_us = level, 0, settle_us

    @property
    def due_us(self) -> int | None:
        """When the present raw level will be believed; None when it is already."""
        return None if self._raw == self.level else self._since_us + self._settle_us

    def feed(self, at_us: int, closed: bool) -> None:
        """The raw line changed; one that says what it said before is nothing new."""
        if closed != self._raw:
            self._raw, self._since_us = closed, at_us

    def settle(self, now_us: int) -> int | None:
        """Since when the new level has stood, at the moment that it is believed; None at any other time."""
        due = self.due_us
        if due is None or now_us < due:
            return None
        self.level = self._raw
        return self._since_us
