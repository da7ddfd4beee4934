"""The spreader under a crane: what holds a box, when it does not miss."""

from __future__ import annotations

import random
from typing import Literal

State = Literal["open", "closing", "closed", "opening"]


class Spreader:
    """A simulated spreader on virtual time, which takes `travel_ms` to open or to close.

    The controller sees `state` and, where there is a load sensor, `load_sensor`. `holds` is the truth.
    """

    def __init__(
        self,
        rng: random.Random,
        travel_ms: int,
        *,
        misses: float = 0.0,
        senses_load: bool = True,
        now_ms: int = 0,
    ) -> None:
        """`misses` is the probability, 0 to 1, that closing over a box does not take it."""
        if travel_ms <= 0 or not 0 <= misses <= 1:
            raise ValueError("the travel time must be positive and the chance of a miss 0 to 1")
        self.holds: str | None = None
        self.starts = 0
        self.misses_to_come = 0
        self._rng, self._travel_ms, self._misses, self._senses_load = rng, travel_ms, misses, senses_load
        self._now_ms = self._done_ms = now_ms
        self._state: State = "open"
        self._below: str | None = None
        self._dropped: str | None = None

    @property
    def state(self) -> State:
        """`closing` and `opening` last for the travel time."""
        return self._state

    @property
    def moving(self) -> bool:
        """Whether the motor is on."""
        return self._state in ("closing", "opening")

    @property
    def load_sensor(self) -> bool | None:
        """Whether a box hangs there; None for a spreader without that sensor."""
        return self.holds is not None if self._senses_load else None

    @property
    def done_at(self) -> int | None:
        """When the present movement is over, in ms; None when nothing moves."""
        return self._done_ms if self.moving else None

    def close(self, below: str | None) -> None:
        """Close over the box `below`, or over nothing; does nothing when closed or closing."""
        if self._state in ("open", "opening"):
            self._below = below
            self._start("closing")

    def open(self) -> None:
        """Let go; does nothing when open or opening."""
        if self._state in ("closed", "closing"):
            self._below = None
            self._start("opening")

    def advance(self, to_ms: int) -> None:
        """Let virtual time run to `to_ms`; ValueError when that lies in the past."""
        if to_ms < self._now_ms:
            raise ValueError(f"time runs forward: {to_ms} ms lies before {self._now_ms} ms")
        self._now_ms = to_ms
        if self.moving and to_ms >= self._done_ms:
            self._finish()

    def take_dropped(self) -> str | None:
        """The box that opening set down, once: the caller knows over which place that was."""
        dropped, self._dropped = self._dropped, None
        return dropped

    def power_off(self) -> None:
        """Remove motor power: half-way fingers stay where they are, a box that is held stays held."""
        if self.moving:
            self._state = "closed" if self.holds is not None else "open"

    def _start(self, state: State) -> None:
        if not self.moving:
            self.starts += 1
        self._state, self._done_ms = state, self._now_ms + self._travel_ms

    def _finish(self) -> None:
        if self._state == "opening":
            self._state = "open"
            self._dropped, self.holds = self.holds, None
            return
        self._state = "closed"
        if self.holds is None and self._below is not None and not self._slips():
            self.holds = self._below

    def _slips(self) -> bool:
        """One draw each time, so that a scripted miss does not shift what the seed gives later."""
        by_chance = self._rng.random() < self._misses
        if self.misses_to_come:
            self.misses_to_come -= 1
            return True
        return by_chance
