"""One state of the yard, and the sites in which it begins."""

from __future__ import annotations

from typing import Any, NamedTuple

from protocol.site import Site
from reference_node.supervisor.plan.goals import Admit, Goal, Move, Run
from tests.proof.yard.messages import Messages
from tests.proof.yard.sites import crane_and_berth, one_crane, two_cranes_and_a_shuttle
from tests.proof.yard.world import World

ABSENT = -1
"""A supervisor that has not come yet."""
Queue = tuple[tuple[int, bool], ...]
"""Messages under way with their retain flag, the oldest first."""


class Place(NamedTuple):
    """One of the sites, with how everything stands in it at first and what is wanted."""

    site: Site
    world: World
    goals: tuple[Goal, ...]


PLACES = {
    "crane": Place(
        one_crane(), World(boxes=((("left", 0), "A"),)), (Move("A", "right", 0),)
    ),
    "crane, no load sensor": Place(
        one_crane(load_sensor=False), World(boxes=((("left", 0), "A"),)), (Move("A", "right", 0),)
    ),
    "crane, QoS 0": Place(
        one_crane(qos=0), World(boxes=((("left", 0), "A"),)), (Move("A", "right", 0),)
    ),
    "shuttle": Place(
        two_cranes_and_a_shuttle(),
        World(boxes=((("quay", 0), "A"),), stands=(("ferry", "here"),)),
        (Move("A", "yard", 0),),
    ),
    "run": Place(
        two_cranes_and_a_shuttle(), World(stands=(("ferry", "here"),)), (Run("ferry", "there"),)
    ),
    "berth": Place(
        crane_and_berth(),
        World(boxes=((("yard", 0), "A"),), trains=(("siding", "away"),)),
        (Admit("siding", brings=("",)), Move("A", "track", 0)),
    ),
    "berth, QoS 0": Place(
        crane_and_berth(qos=0),
        World(boxes=((("yard", 0), "A"),), trains=(("siding", "away"),)),
        (Admit("siding", brings=("",)), Move("A", "track", 0)),
    ),
}  # fmt: skip


class State(NamedTuple):
    """One state of the yard; participants, world and record by number."""

    supervisors: tuple[int, ...]
    nodes: tuple[int, ...]
    queues: tuple[Queue, ...]
    retained: tuple[tuple[str, int], ...]
    late: tuple[int, int, bool] | None
    """A copy that may still come: channel, message, whether it was kept at all yet."""
    world: int
    record: int
    seen: tuple[Any, ...] | None
    """What a person has seen and not said yet: question and answer."""
    left: tuple[int, ...]
    """How often each disturbance may still come."""


class Numbered:
    """Values by number."""

    def __init__(self) -> None:
        self.all: list[Any] = []
        self._number: dict[Any, int] = {}

    def number(self, value: Any) -> int:
        found = self._number.get(value)
        if found is None:
            found = self._number[value] = len(self.all)
            self.all.append(value)
        return found


class Label:
    """An edge that delivers a message; put into words only where somebody reads it."""

    __slots__ = ("_how", "_message", "_messages")

    def __init__(self, how: str, messages: Messages, message: int) -> None:
        self._how, self._messages, self._message = how, messages, message

    def __str__(self) -> str:
        return f"{self._how} {self._messages[self._message]}"
