"""What a simulated node moves: a crane, a berth with its track, a shuttle.

A job is a list of stages; the node goes through them in time. A state changes by the rows of the tables `crane`,
`berth` and `shuttle` alone.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, ClassVar, NamedTuple

from protocol.counting import next_count
from protocol.site import NodeSite, PlaceKind, Site
from protocol.specification import specification
from protocol.state_machine import StateMachine

Body = Mapping[str, Any]
ARM_TO_END_MS = 900


class Stage(NamedTuple):
    """One step of a job: the share of its time at which it is reached, its name, and what happens then."""

    share: float
    step: str
    event: str = ""
    """The event of the state table; '' for none."""
    change: Mapping[str, Any] = {}
    """Fields of the machine that have another value from then on."""
    facts: Mapping[str, str] = {}
    """What the guards of the event look at."""


@dataclass(slots=True)
class Machine(ABC):
    """The machine of one role. Everything it says of itself stands in its fields."""

    site: Site
    node: NodeSite
    machine: StateMachine = field(init=False)

    table: ClassVar[str] = ""
    message: ClassVar[str] = ""
    acts: ClassVar[frozenset[str]] = frozenset()

    def __post_init__(self) -> None:
        self._start_table()

    def _start_table(self) -> None:
        """Be in the first state of the table."""
        self.machine = StateMachine(specification().tables[self.table])

    @property
    def state(self) -> str:
        """The state in its table."""
        return self.machine.state

    @abstractmethod
    def come_up(self) -> None:
        """As after a reset: nothing is known."""

    @abstractmethod
    def settle(self) -> None:
        """As after a day's work: ready for the next job."""

    def lose(self) -> None:
        """Motor power goes: it is not known any more where things stand [FLT-06]."""
        self.machine.fire("halt")

    @abstractmethod
    def body(self) -> dict[str, Any]:
        """Its part of the state message."""

    @abstractmethod
    def forbids(self, order: Body) -> str:
        """The reason why it refuses a job now; '' if it takes it."""

    @abstractmethod
    def stages(self, order: Body) -> tuple[Stage, ...]:
        """How a job goes. The last stage is its end."""

    def found(self, order: Body) -> str:
        """Take what a person found with reset-fault; the reason of a refusal, '' if it fits."""
        return ""

    def reach(self, stage: Stage) -> None:
        """Let a stage of a job happen."""
        for name, value in stage.change.items():
            setattr(self, name, value)
        if stage.event:
            self.machine.fire(stage.event, stage.facts)

    def cancel(self) -> None:
        """The job ends early, with nothing picked."""
        if self.machine.allows("cancel"):  # Else it had not begun to move.
            self.machine.fire("cancel")

    @property
    def told_load(self) -> str | None:
        """What a report says that it holds; None where it holds nothing by its nature."""
        return None


@dataclass(slots=True)
class SimulatedCrane(Machine):
    """A crane with a load sensor."""

    load: str = "none"

    table: ClassVar[str] = "crane"
    message: ClassVar[str] = "crane-status"
    acts: ClassVar[frozenset[str]] = frozenset({"home", "transfer", "park", "jog"})

    def come_up(self) -> None:
        """Unhomed, spreader empty as its sensor says [CRN-01]."""
        self._start_table()
        self.load = "none"

    def settle(self) -> None:
        """Homed and ready."""
        self.come_up()
        self.machine.fire("home")
        self.machine.fire("finish")

    @property
    def every_axis_homed(self) -> bool:
        """Whether the positions of the axes are known: not after a fault, for its motors had no power."""
        return self.state in ("ready", "working")

    def body(self) -> dict[str, Any]:
        """Mode, axes, spreader and load."""
        crane = self.node.crane
        axes = [[axis.park, axis.park, self.every_axis_homed] for axis in crane.axes] if crane else []
        spreader = "closed" if self.load == "box" else "open"
        return {"mode": self.state, "axes": axes, "spreader": spreader, "load": self.load}

    def forbids(self, order: Body) -> str:
        """By mode [CRN-03], load [CRN-08] and place [CRN-05, CRN-07]."""
        if not self.machine.allows(order["act"]):
            return "mode"
        if order["act"] != "transfer":
            return ""
        if ("from" in order) is (self.load == "box"):
            return "load"
        return "" if all(self._finds(order, end) for end in ("from", "to") if end in order) else "place"

    def _finds(self, order: Body, end: str) -> bool:
        crane, name = self.node.crane, order[end]
        if crane is None or name not in crane.places or order[f"{end}_slot"] >= self.site.places[name].slots:
            return False
        needs = {PlaceKind.TRACK: "reading", PlaceKind.DECK: "stop"}.get(self.site.places[name].kind)
        return needs is None or needs in order

    def stages(self, order: Body) -> tuple[Stage, ...]:
        """Home, or grip, release and clear."""
        if order["act"] == "home":
            return Stage(0, "homing", "home"), Stage(1, "", "finish")
        if order["act"] != "transfer":
            return Stage(0, "travel", order["act"]), Stage(1, "", "finish")
        pick = (Stage(0.3, "grip", change={"load": "box"}),) if "from" in order else ()
        first = "travel-to-pick" if "from" in order else "travel-to-drop"
        release = Stage(0.9, "release", change={"load": "none"})
        return Stage(0, first, "transfer"), *pick, release, Stage(1, "", "finish")

    def found(self, order: Body) -> str:
        """A fault fixed; what hangs in the spreader, where a person says it."""
        if self.machine.allows("reset-fault"):
            self.machine.fire("reset-fault", {"crane": self})
        self.load = order.get("found", self.load)
        return ""

    @property
    def told_load(self) -> str | None:
        """The spreader."""
        return self.load


@dataclass(slots=True)
class SimulatedBerth(Machine):
    """A berth whose every train comes to rest within the tables of the cranes that reach it."""

    arrival: int = 0
    reading: int | None = None
    readings: tuple[int, ...] = field(default=(150,))

    table: ClassVar[str] = "berth"
    message: ClassVar[str] = "train-arrival"
    acts: ClassVar[frozenset[str]] = frozenset({"admit", "depart"})

    def come_up(self) -> None:
        """A berth comes up lost: it cannot know what stands on its track [BER-01]."""
        self._start_table()
        self.arrival, self.reading = 0, None
        self.readings = self._readings()

    def settle(self) -> None:
        """The track is empty after some trains."""
        self.come_up()
        self.found({"found": "none"})
        self.arrival, self.reading = 6, self.readings[0]

    def _readings(self) -> tuple[int, ...]:
        """Readings that every crane's table knows, as different as they can be."""
        own = self.site.place_of(self.node.name)
        tables = [
            node.crane.places[own.name].table
            for node in self.site.with_role("crane")
            if own and node.crane and own.name in node.crane.places
        ]
        least = max((table[0][0] for table in tables), default=100)
        most = min((table[-1][0] for table in tables), default=200)
        return least, (least + most) // 2, most

    def body(self) -> dict[str, Any]:
        """State and arrival, and the reading while a train is at rest."""
        body: dict[str, Any] = {"state": self.state, "arrival": self.arrival, "ignored": 0}
        if self.state == "at-rest":
            body |= {"reading": self.reading, "arm_to_end": ARM_TO_END_MS}
        return body

    def forbids(self, order: Body) -> str:
        """An admit is refused unless the berth is empty, a depart unless a train is at rest [BER-03]."""
        return "" if self.machine.allows(order["act"]) else "state"

    def stages(self, order: Body) -> tuple[Stage, ...]:
        """A train in, at another reading than the one before, or out."""
        if order["act"] == "depart":
            return Stage(0, "leaving", "depart"), Stage(1, "", "gone")
        arrival = next_count(self.arrival)
        rest = {"reading": self.readings[arrival % len(self.readings)]}
        return (
            Stage(0, "approach", "admit", {"arrival": arrival}),
            Stage(0.6, "arming-passed", "arming"),
            Stage(1, "", "rest", rest),
        )

    def found(self, order: Body) -> str:
        """Only a track found empty is empty [BER-07]."""
        if order.get("found") == "box" or "place" in order:
            return "nothing-found"
        if self.machine.allows("reset-fault"):
            self.machine.fire("reset-fault", {"order": order})
            self.reading = None
        return ""


@dataclass(slots=True)
class SimulatedShuttle(Machine):
    """A shuttle whose deck has no sensor."""

    place: str = ""
    stop: int = 0

    table: ClassVar[str] = "shuttle"
    message: ClassVar[str] = "shuttle-status"
    acts: ClassVar[frozenset[str]] = frozenset({"run"})

    @property
    def stops(self) -> tuple[str, ...]:
        """The places that it serves."""
        return self.node.shuttle.stops if self.node.shuttle else ()

    def come_up(self) -> None:
        """A shuttle comes up lost: it may have been pushed while it was off [SHT-01]."""
        self._start_table()
        self.place, self.stop = "", 0

    def settle(self) -> None:
        """At its first stop, after some runs."""
        self.come_up()
        self.found({"place": self.stops[0]})
        self.stop = 11

    def body(self) -> dict[str, Any]:
        """State, stop and deck, and the place while it stands at one."""
        body = {"state": self.state, "stop": self.stop, "load": "unsure"}
        return body | ({"place": self.place} if self.state == "at-place" else {})

    def forbids(self, order: Body) -> str:
        """By state and place [SHT-03]."""
        if not self.machine.allows(order["act"]):
            return "state"
        return "" if order["to"] in self.stops else "place"

    def stages(self, order: Body) -> tuple[Stage, ...]:
        """From stop to stop [SHT-05]."""
        there = {"place": order["to"], "stop": next_count(self.stop)}
        reached = {"stop": order["to"], "target": order["to"]}
        return Stage(0, "travel", "run"), Stage(1, "", "stop", there, reached)

    def found(self, order: Body) -> str:
        """Only a place that it serves makes it stand somewhere [SHT-06]."""
        if order.get("place", self.stops[0]) not in self.stops:
            return "nothing-found"
        if self.machine.allows("reset-fault"):
            self.machine.fire("reset-fault", {"order": order})
            if self.state == "at-place":
                self.place, self.stop = order["place"], next_count(self.stop)
        return ""


MACHINES: Mapping[str, type[Machine]] = {
    "crane": SimulatedCrane,
    "berth": SimulatedBerth,
    "shuttle": SimulatedShuttle,
}


def machines_of(site: Site, node: NodeSite) -> tuple[Machine, ...]:
    """The machines of a node, one a role."""
    return tuple(MACHINES[role](site, node) for role in node.roles if role in MACHINES)
