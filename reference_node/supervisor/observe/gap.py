"""A time without the bus: since when, what was open when it fell, and what has to be said before it goes on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

AWAY = "the bus is away: nothing is sent, and nothing but a hold is kept for later"
GO_ON = "go on"


@dataclass(frozen=True, slots=True)
class Gap:
    """Ends with a person's word, never by itself. Times are ms of the supervisor's clock."""

    fell_ms: int
    open: tuple[str, ...] = ()
    """Jobs and goals that were open when the bus fell, in words."""
    back_ms: int | None = None

    def why(self) -> str:
        """Why nothing is ordered now."""
        return AWAY if self.back_ms is None else f"the bus was away; it waits for '{GO_ON}'"

    def took_s(self) -> float:
        """How long the bus was away, once it is back."""
        return ((self.back_ms if self.back_ms is not None else self.fell_ms) - self.fell_ms) / 1000

    def text(self) -> str:
        """What a person is asked once the bus is back."""
        was = f"Open when it fell: {'; '.join(self.open)}." if self.open else "Nothing was open when it fell."
        return f"The bus was away for {self.took_s():.0f} s. {was} Look at the machines. May the work go on?"

    def again(self, now_ms: int, open_now: Sequence[str]) -> Gap:
        """The bus has fallen again before anybody said that the work may go on."""
        return Gap(now_ms, tuple(dict.fromkeys([*self.open, *open_now])))
