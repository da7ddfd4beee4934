"""A terminal on paper: what the nodes say and where the boxes are is set by hand, orders are only written down."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any, cast

from reference_node.supervisor.observe.boxes import Spot
from reference_node.supervisor.observe.sent_order import SentOrder
from reference_node.supervisor.observe.yard_state import YardState
from reference_node.supervisor.plan.execution import Orders
from reference_node.supervisor.plan.next_step import Step
from tests.planning.pictures import SLOTS, picture


class Paper:
    """`slots` and `words` may be changed at any time; `started`, `notes` and `waiting` is what came of it."""

    def __init__(
        self, slots: dict[str, tuple[str, ...]] | None = None, **words: dict[str, Any] | None
    ) -> None:
        self.slots = SLOTS | (slots or {})
        self.words: dict[str, dict[str, Any] | None] = words
        self.silent: tuple[str, ...] = ()
        self.jobs: dict[str, str] = {}
        self.now_ms = 0
        self.refuses: dict[str, str] = {}
        """By node: what stands against each order to it."""
        self.started: list[Step] = []
        self.notes: list[str] = []
        self.waiting: dict[Any, str] = {}

    @property
    def orders(self) -> Orders:
        """What an execution is given."""
        return Orders(self.look, self.start, self.notes.append, self.waiting)

    def look(self) -> YardState:
        """The picture as it is now."""
        state = picture(self.slots, words=self.words, jobs=self.jobs, silent=self.silent)
        return replace(state, now_ms=self.now_ms)

    def start(self, step: Step) -> str:
        """Write an order down; its node is at work from now on."""
        if step.node in self.refuses:
            return self.refuses[step.node]
        if step.node in self.jobs:
            return f"{step.node} is at work"
        self.started.append(step)
        self.jobs[step.node] = step.act
        return ""

    @property
    def acts(self) -> list[tuple[str, str]]:
        """Node and act of all that was started."""
        return [(step.node, step.act) for step in self.started]

    # ------------------------------------------------------------ what comes of an order
    def done(self, node: str) -> SentOrder:
        """Its job has ended as wished: boxes, train and shuttle are where they were to go."""
        step = next(step for step in reversed(self.started) if step.node == node)
        del self.jobs[node]
        if step.carriage is not None:
            for spot, box in ((step.carriage.source, ""), (step.carriage.target, step.carriage.box)):
                if spot is not None:
                    self.put(spot, box)
        elif step.act == "run":
            self.words[node] = {"place": step.fields["to"]}
        elif step.act == "admit":
            self.words[node] = {"state": "at-rest", "train": step.fields.get("train", "")}
            self.slots["siding"] = step.brings or ("?", "?", "?")
        else:
            self.words[node], self.slots["siding"] = {}, ("", "", "")
        return ended("done", step.act)

    def put(self, spot: Spot, box: str) -> None:
        """Set a box into a slot, '' for none."""
        slots = list(self.slots[spot.place])
        slots[spot.slot] = box
        self.slots = {**self.slots, spot.place: tuple(slots)}

    def went_wrong(self, node: str, state: str = "failed", reason: str = "") -> SentOrder:
        """Its job has ended otherwise, and nothing has moved."""
        return ended(state, self.jobs.pop(node), reason)


def ended(state: str, act: str, reason: str = "") -> SentOrder:
    """An order with its outcome: all that a plan reads of it."""
    return cast("SentOrder", SimpleNamespace(state=state, act=act, reason=reason))
