"""What a plan starts from, and its tasks."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from protocol.site import Site
from reference_node.supervisor.observe.boxes import Spot
from reference_node.supervisor.plan.goal_state import GoalState
from reference_node.supervisor.plan.search.durations import Durations

IN_SPREADER = "@"
"""Place of a box that hangs in a spreader is this and the crane's name, slot 0."""


def spreader(crane: str) -> Spot:
    """Where a box is that hangs in the spreader of `crane`."""
    return Spot(IN_SPREADER + crane, 0)


@dataclass(frozen=True, slots=True)
class Task:
    """One job of one node. transfer: box, source (None: out of the spreader), target. run: stop. Else: train."""

    node: str
    act: str
    box: str = ""
    source: Spot | None = None
    target: Spot | None = None
    stop: str = ""
    train: str = ""

    def __str__(self) -> str:
        match self.act:
            case "transfer" if self.target is not None:
                return f"{self.node}: box {self.box} to {self.target.place} slot {self.target.slot}"
            case "run":
                return f"{self.node}: run to {self.stop}"
        return f"{self.node}: {self.act} {self.train}".rstrip()


@dataclass(frozen=True, slots=True)
class Problem:
    """A site, a goal state, and how things stand at `now_ms` or will once what is under way has ended."""

    site: Site
    goal_state: GoalState
    boxes: Mapping[str, Spot]
    """Every box that is known to be somewhere, in a spreader too."""
    unsure: frozenset[Spot] = frozenset()
    """Slots of which nobody knows what they hold: nothing is picked or set down there."""
    stops: Mapping[str, str] = field(default_factory=dict)
    """Where each shuttle stands; '' or missing where nobody knows."""
    let_in: Mapping[str, int] = field(default_factory=dict)
    """How many of the goal state's visits were let in at each berth."""
    at_rest: frozenset[str] = frozenset()
    """Berths where a train stands."""
    at: Mapping[str, Spot] = field(default_factory=dict)
    """The slot that each crane was at last, as far as known."""
    busy_ms: Mapping[str, int] = field(default_factory=dict)
    """How long from now each node still has to do with what is under way."""
    never: frozenset[Task] = frozenset()
    """Tasks that a node has refused for good."""
    now_ms: int = 0
    durations: Durations = field(default_factory=Durations)
