"""How long to wait before the next attempt to connect."""

from __future__ import annotations

from protocol.specification import specification


class BackOff:
    """Waits that double from one lost attempt to the next, inside the bounds of [LNK-10]."""

    def __init__(self) -> None:
        figure = specification().timing["reconnect"]
        assert figure.least is not None
        assert figure.most is not None
        # Off both bounds, so that a late timer on either side of the wire is no breach.
        self._first_ms = figure.least * 3 // 2
        self._last_ms = figure.most * 3 // 4
        self._next_ms = self._first_ms

    def next_ms(self) -> int:
        """The wait before the next attempt, in milliseconds."""
        wait_ms = self._next_ms
        self._next_ms = min(2 * wait_ms, self._last_ms)
        return wait_ms

    def reset(self) -> None:
        """The link is up: start from the shortest wait again."""
        self._next_ms = self._first_ms
