"""What a supervisor is to bring about, one after the other or side by side."""

from __future__ import annotations

from dataclasses import dataclass

from reference_node.supervisor.plan.goal_state import GoalState


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
    """Goals that may be worked on side by side."""

    goals: tuple[Move | Admit | Depart | Run, ...]

    def __str__(self) -> str:
        return " and ".join(map(str, self.goals))


Single = Move | Admit | Depart | Run
Goal = Single | Together | GoalState
"""A goal state is planned for as a whole; the others are brought about step by step."""


def are_independent(one: Goal, other: Goal) -> bool:
    """Whether two goals have no box, no place to stand, no berth and no shuttle in common.

    Only of goal states is that known; what is brought about step by step depends on everything.
    """
    if not isinstance(one, GoalState) or not isinstance(other, GoalState):
        return False
    return _needs(one).isdisjoint(_needs(other))


def _needs(goal_state: GoalState) -> set[tuple[str, str]]:
    boxes = [
        *goal_state.boxes,
        *(box for visit in goal_state.visits for box in (*visit.takes.values(), *visit.brings) if box),
    ]
    return {
        *(("box", box) for box in boxes),
        *(("place", spot.place) for spot in goal_state.boxes.values()),
        *(("node", visit.berth) for visit in goal_state.visits),
        *(("node", shuttle) for shuttle in goal_state.shuttles),
    }


def singles(goal: Single | Together) -> tuple[Single, ...]:
    """The goals that `goal` consists of."""
    return goal.goals if isinstance(goal, Together) else (goal,)
