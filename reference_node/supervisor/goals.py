"""What a supervisor is to bring about, one after the other or side by side."""

from __future__ import annotations

from dataclasses import dataclass

from reference_node.supervisor.planning.wish import Wish


@dataclass(frozen=True, slots=True)
class Move:
    """Box `box` stands in slot `slot` of `place`."""

    box: str
    place: str
    slot: int

    def __str__(self) -> str:
        return f"box {self.box} to {self.place} slot {self.slot}"


@dataclass(frozen=True, slots=True)
class Admit:
    """A train stands at rest at `berth`; `brings` is what stands on it, () if nobody knows."""

    berth: str
    train: str = ""
    brings: tuple[str, ...] = ()

    def __str__(self) -> str:
        return f"train {self.train or 'any'} in at {self.berth}"


@dataclass(frozen=True, slots=True)
class Depart:
    """No train stands at `berth`."""

    berth: str

    def __str__(self) -> str:
        return f"train out of {self.berth}"


@dataclass(frozen=True, slots=True)
class Run:
    """Shuttle `shuttle` stands at `place`."""

    shuttle: str
    place: str

    def __str__(self) -> str:
        return f"shuttle {self.shuttle} to {self.place}"


@dataclass(frozen=True, slots=True)
class Together:
    """Goals that may be pursued side by side."""

    goals: tuple[Move | Admit | Depart | Run, ...]

    def __str__(self) -> str:
        return " and ".join(map(str, self.goals))


Single = Move | Admit | Depart | Run
Goal = Single | Together | Wish
"""A wish is planned for as a whole; the others are brought about step by step."""


def singles(goal: Single | Together) -> tuple[Single, ...]:
    """The goals that `goal` consists of."""
    return goal.goals if isinstance(goal, Together) else (goal,)
