"""What a scenario file says."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from protocol.site import PlaceKind, Site
from reference_node.supervisor.observe.boxes import Spot
from reference_node.supervisor.plan.goal_state import GoalState, Visit


@dataclass(frozen=True, slots=True)
class Train:
    """A train that comes, and what a simulated one is like: usual, heavy or too-heavy."""

    visit: Visit
    pulls: str = "usual"


@dataclass(frozen=True, slots=True)
class Person:
    """Whoever answers questions in a simulated yard."""

    answers: bool = True
    walk_ms: int = 3_000
    swaps_locomotive: bool = False
    lets_go_on: bool = True
    """Whether it also ends holds, and lets work go on after the bus was away; else somebody at the desk does."""


@dataclass(frozen=True, slots=True)
class Answer:
    """What the person says once instead of the truth."""

    about: str
    where: str
    say: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happens once: `do`, as soon as the trigger is so and `then_ms` have passed."""

    do: str
    at_ms: int | None = None
    after_job: int | None = None
    when: str = ""
    then_ms: int = 0
    node: str = ""
    for_ms: int = 0
    axis: int = 0
    box: str = ""
    to: Spot | None = None

    @property
    def trigger(self) -> str:
        """What it waits for, in words."""
        if self.at_ms is not None:
            when = f"{self.at_ms // 1000} s after the start"
        elif self.after_job is not None:
            when = f"after job {self.after_job}"
        else:
            when = f"when {self.when!r} is said"
        return when + (f" and {self.then_ms // 1000} s later" if self.then_ms else "")

    def __str__(self) -> str:
        """What happens, as it is told to a person who has to do it on real machines."""
        lasts = f" for {self.for_ms // 1000} s" if self.for_ms else ""
        to = f"{self.to.place} slot {self.to.slot}" if self.to is not None else ""
        return {
            "reboot": f"switch {self.node} off and on",
            "network-gone": f"take the network from {self.node}{lasts}",
            "link-breaks": f"break the connection of {self.node}",
            "orders-twice": f"every order is sent twice{lasts}",
            "hold": f"somebody holds {self.node}",
            "supervisor-restarts": "the supervisor restarts",
            "jam": f"jam axis {self.axis} of {self.node}",
            "emergency-stop": f"press the emergency stop of {self.node}{lasts}",
            "box-by-hand": f"put box {self.box} to {to} by hand",
        }[self.do]


@dataclass(frozen=True, slots=True)
class Expect:
    """What has to be so in the end; None and () where nothing is expected."""

    met: bool = True
    ends_within_ms: int | None = None
    boxes: Mapping[str, Spot] = field(default_factory=dict)
    gone: tuple[str, ...] = ()
    asked: tuple[str, ...] = ()
    not_asked: tuple[str, ...] = ()
    failed: int | None = None
    alarms: int = 0
    waits_for: str = ""


@dataclass(frozen=True, slots=True)
class Scenario:
    """One story of a yard."""

    site: str
    title: str
    within_ms: int
    about: str = ""
    seed: int = 1
    imperfect: tuple[str, ...] = ()
    """What the mechanisms between cranes and tracks have; without any, trains stand where the site's tables say."""
    loss: float = 0.0
    repeat: float = 0.0
    known: bool = True
    contents: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    boxes: Mapping[str, Spot] = field(default_factory=dict)
    shuttles: Mapping[str, str] = field(default_factory=dict)
    trains: tuple[Train, ...] = ()
    person: Person = field(default_factory=Person)
    answers: tuple[Answer, ...] = ()
    events: tuple[Event, ...] = ()
    expect: Expect = field(default_factory=Expect)

    @property
    def disturbs(self) -> bool:
        """Whether it makes anything go wrong, so that jobs may fail."""
        hindered = any(train.pulls == "too-heavy" for train in self.trains)
        return bool(self.events or self.answers or self.loss or self.repeat or hindered)

    @property
    def expected_failures(self) -> int | None:
        """How many jobs may fail: as it says, none where nothing is made to go wrong; None for any number."""
        return self.expect.failed if self.expect.failed is not None or self.disturbs else 0

    def told(self, site: Site) -> dict[str, tuple[str, ...]]:
        """What a person says at the start of every place; of a track only what its trains bring."""
        places = [place for place in site.places.values() if place.kind is not PlaceKind.TRACK]
        return {place.name: self.contents.get(place.name, ("",) * place.slots) for place in places}

    def goal_states(self, started_ms: int) -> tuple[GoalState, ...]:
        """What the supervisor is to bring about, on a clock that showed `started_ms` at the start."""
        goal_state = self.goal_state(started_ms)
        return (goal_state,) if goal_state.boxes or goal_state.visits or goal_state.shuttles else ()

    def goal_state(self, started_ms: int) -> GoalState:
        """All goals as one goal state."""
        visits = [
            Visit(v.train, v.berth, v.brings, v.takes, v.departs, v.not_before_ms + started_ms)
            for v in (train.visit for train in self.trains)
        ]
        return GoalState(self.boxes, tuple(visits), self.shuttles)
