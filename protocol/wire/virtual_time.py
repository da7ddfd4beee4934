"""Time that passes only when somebody runs it: minutes of a yard in moments of a test."""

from __future__ import annotations

import heapq
from collections.abc import Callable
from itertools import count

EVENTS_AT_ONCE = 100_000
"""More calls than this at one instant mean that something schedules itself for ever."""


class Timer:
    """One call to come; `cancel` takes it back."""

    __slots__ = ("_work", "when_ms")

    def __init__(self, when_ms: int, work: Callable[[], object]) -> None:
        self.when_ms = when_ms
        self._work: Callable[[], object] | None = work

    @property
    def open(self) -> bool:
        """Whether it still has to be called."""
        return self._work is not None

    def cancel(self) -> None:
        """Never call it; nothing happens if it was called already."""
        self._work = None

    def fire(self) -> None:
        """Call it, once."""
        work, self._work = self._work, None
        if work is not None:
            work()


class VirtualTime:
    """A clock in integer milliseconds and the calls that wait on it.

    Calls for the same instant are made in the order in which they were scheduled.
    """

    def __init__(self, start_ms: int = 0) -> None:
        self._now_ms = start_ms
        self._order = count()
        self._timers: list[tuple[int, int, Timer]] = []
        self._at_once = 0

    @property
    def now_ms(self) -> int:
        """The present instant, in milliseconds."""
        return self._now_ms

    def call_at(self, ms: int, work: Callable[[], object]) -> Timer:
        """Call `work` at instant `ms`; at the present instant if that has passed."""
        timer = Timer(max(ms, self._now_ms), work)
        heapq.heappush(self._timers, (timer.when_ms, next(self._order), timer))
        return timer

    def call_in(self, delay_ms: int, work: Callable[[], object]) -> Timer:
        """Call `work` after `delay_ms`."""
        return self.call_at(self._now_ms + delay_ms, work)

    def run_until(self, ms: int) -> None:
        """Make every call due up to and at instant `ms`, which is the present one afterwards.

        Raises RuntimeError when calls at one instant never end.
        """
        while self._step(ms):
            pass
        self._pass_to(ms)

    def run_until_true(self, predicate: Callable[[], bool], within_ms: int) -> bool:
        """Run until `predicate` holds, asked now and after each call; give False after `within_ms` without.

        Time then stands at the call that made it true, or `within_ms` later than before.
        """
        end_ms = self._now_ms + within_ms
        if predicate():
            return True
        while self._step(end_ms):
            if predicate():
                return True
        self._pass_to(end_ms)
        return predicate()

    def _step(self, end_ms: int) -> bool:
        """Make the next call that is due by `end_ms`; False when there is none."""
        while self._timers and self._timers[0][0] <= end_ms:
            when_ms, _, timer = heapq.heappop(self._timers)
            if timer.open:
                self._pass_to(when_ms)
                self._count_call()
                timer.fire()
                return True
        return False

    def _pass_to(self, ms: int) -> None:
        if ms > self._now_ms:
            self._now_ms = ms
            self._at_once = 0

    def _count_call(self) -> None:
        self._at_once += 1
        if self._at_once > EVENTS_AT_ONCE:
            raise RuntimeError(f"more than {EVENTS_AT_ONCE} calls at {self._now_ms} ms: time stands still")
