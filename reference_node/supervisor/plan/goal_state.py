"""What is to be so in the end: goals, not scripts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from reference_node.supervisor.observe.boxes import Spot


@dataclass(frozen=True, slots=True)
class Visit:
    """A train that comes to a berth: what stands on it, what it is to take along, whether it leaves again."""

    train: str
    berth: str
    brings: tuple[str, ...] = ()
    """A label a slot, '' for nothing; () where nobody knows."""
    takes: Mapping[int, str] = field(default_factory=dict)
    """Slot to box, as it has to stand when the train leaves, or in the end."""
    departs: bool = True
    not_before_ms: int = 0
    """On the supervisor's clock: the train cannot be let in earlier."""

    def __str__(self) -> str:
        return f"train {self.train} at {self.berth}"


@dataclass(frozen=True, slots=True)
class GoalState:
    """Boxes at places, trains in the order in which they come to each berth, shuttles at stops.

    Raises ValueError where a box is wanted at two places, a slot for two boxes, or two trains of a berth have
    one name.
    """

    boxes: Mapping[str, Spot] = field(default_factory=dict)
    visits: Sequence[Visit] = ()
    shuttles: Mapping[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        taken = [box for visit in self.visits for box in visit.takes.values()]
        twice = {box for box in taken if taken.count(box) > 1 or box in self.boxes}
        if twice:
            raise ValueError(f"wanted at two places: {', '.join(sorted(twice))}")
        if len(set(self.boxes.values())) < len(self.boxes):
            raise ValueError("two boxes are wanted in one slot")
        names = [(visit.berth, visit.train) for visit in self.visits]
        if len(set(names)) < len(names):
            raise ValueError("two trains of one berth have one name")

    def __str__(self) -> str:
        moves = [f"box {box} to {spot.place} slot {spot.slot}" for box, spot in self.boxes.items()]
        runs = [f"shuttle {shuttle} to {stop}" for shuttle, stop in self.shuttles.items()]
        return ", ".join([*moves, *map(str, self.visits), *runs]) or "nothing"
