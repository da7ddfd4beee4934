"""Small cases of harlow-basin for planners, and what an independent one has to know of it."""

from __future__ import annotations

from dataclasses import dataclass, field

from protocol.site import CraneSite
from protocol.site_file import scenario
from reference_node.supervisor.observe.boxes import Spot
from reference_node.supervisor.plan.goal_state import GoalState, Visit
from reference_node.supervisor.plan.search.durations import Durations
from reference_node.supervisor.plan.search.problem import Problem

SITE = scenario()
NEAR = {
    "north": {"north", "ferry"},
    "south": {"south", "ferry", "siding"},
    "ferry": {"north", "south", "ferry"},
    "siding": {"south", "siding"},
}
"""Whose machines may meet, as anybody sees who looks at the site file."""


def north(slot: int) -> Spot:
    return Spot("stack-n", slot)


def south(slot: int) -> Spot:
    return Spot("stack-s", slot)


@dataclass(frozen=True)
class FromTheSlot(Durations):
    """A crane's way to the box costs nothing, so that every order has one cost whatever came before."""

    def transfer(self, crane: CraneSite, start: Spot | None, source: Spot | None, target: Spot) -> int:
        return super().transfer(crane, None, source, target)


@dataclass(frozen=True)
class Case:
    """One small yard."""

    name: str
    boxes: dict[str, Spot]
    goal_state: GoalState
    stop: str = "quay-n"
    at_rest: bool = False
    """Whether the first train stands there already."""
    busy_ms: dict[str, int] = field(default_factory=dict)
    with_ways: bool = False
    """Whether a crane's way to the box costs time, from the second job on."""

    def problem(self) -> Problem:
        return Problem(
            SITE, self.goal_state, self.boxes, stops={"ferry": self.stop}, let_in={"siding": int(self.at_rest)},
            at_rest=frozenset({"siding"} if self.at_rest else ()), busy_ms=self.busy_ms,
            durations=Durations() if self.with_ways else FromTheSlot(),
        )  # fmt: skip


def train(takes: dict[int, str], brings: tuple[str, ...] = ("", "", ""), **more: int) -> Visit:
    return Visit("T", "siding", brings, takes, True, more.get("late", 0))


CASES = [
    Case("one goes, the train takes another", {"A": north(0), "B": north(2)},
         GoalState({"B": south(0)}, (train({0: "A"}),))),
    Case("one box beside", {"A": north(0)}, GoalState({"A": north(2)})),
    Case("two swap columns", {"A": north(0), "B": north(2)}, GoalState({"A": north(2), "B": north(0)})),
    Case("under another", {"A": north(0), "B": north(1)}, GoalState({"A": north(2)})),
    Case("upside down", {"A": north(0), "B": north(1)}, GoalState({"B": north(0), "A": north(1)})),
    Case("over the water", {"A": north(0)}, GoalState({"A": south(0)})),
    Case("over the water, shuttle away", {"A": north(0)}, GoalState({"A": south(0)}), stop="quay-s"),
    Case("to the north", {"A": south(0)}, GoalState({"A": north(0)}), stop="quay-n"),
    Case("to a train", {"A": north(0)}, GoalState(visits=(train({0: "A"}),))),
    Case("to a train that stands there", {"A": south(0)}, GoalState(visits=(train({2: "A"}),)), at_rest=True),
    Case("to a late train", {"A": south(0)}, GoalState(visits=(train({1: "A"}, late=40_000),))),
    Case("from a train", {}, GoalState({"D": south(0)}, (train({}, ("", "D", "")),))),
    Case("one off, one on", {"A": south(0)}, GoalState({"D": south(0)}, (train({0: "A"}, ("", "D", "")),)),
        stop="quay-s"),
    Case("a crane is busy", {"A": north(0), "B": south(0)}, GoalState({"A": north(2), "B": Spot("ferry", 0)}),
        stop="quay-s",
         busy_ms={"north": 9_000}),
]  # fmt: skip
