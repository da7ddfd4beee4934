"""Mutual exclusion of two processes (G. L. Peterson, Information Processing Letters 12(3), 1981); step for step
what `peterson.pml` says.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

IDLE, WANTS, GAVE_WAY, INSIDE = range(4)


class State(NamedTuple):
    """Where each process is, its flag, and whose turn it is."""

    at: tuple[int, int] = (IDLE, IDLE)
    flag: tuple[int, int] = (0, 0)
    turn: int = 0


class Peterson:
    """Two processes."""

    def first(self) -> State:
        return State()

    def is_agreed(self, state: State) -> bool:
        return state.at == (IDLE, IDLE)

    def edges(self, state: State) -> Sequence[tuple[object, State, bool, str]]:
        out: list[tuple[object, State, bool, str]] = []
        for me in (0, 1):
            after = self._step(state, me)
            if after is not None:
                both = "both are inside" if after.at == (INSIDE, INSIDE) else ""
                out.append((f"process {me}", after, False, both))
        return out

    def may_enter(self, state: State, me: int) -> bool:
        return not state.flag[1 - me] or state.turn == me

    def _step(self, state: State, me: int) -> State | None:
        match state.at[me]:
            case 0:
                return state._replace(at=_with(state.at, me, WANTS), flag=_with(state.flag, me, 1))
            case 1:
                return state._replace(at=_with(state.at, me, GAVE_WAY), turn=1 - me)
            case 2:
                return state._replace(at=_with(state.at, me, INSIDE)) if self.may_enter(state, me) else None
        return state._replace(at=_with(state.at, me, IDLE), flag=_with(state.flag, me, 0))


def _with(pair: tuple[int, int], me: int, value: int) -> tuple[int, int]:
    return (value, pair[1]) if me == 0 else (pair[0], value)
