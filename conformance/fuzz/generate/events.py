"""What a tester does to bring about each event of the state tables and each check of an order.

The names are those of `protocol/v1/tables/`; a test holds this file to them, so a new row asks for its steps here.
"""

from __future__ import annotations

from collections.abc import Callable
from random import Random
from typing import Any

from conformance.fuzz.generate.steps import Step, order, wait
from conformance.oracle.node_judge import NodeJudge
from protocol.rules.states import MACHINES
from protocol.site import CraneSite, NodeSite
from protocol.specification import specification
from protocol.transition_table import Table, Transition

BY_HAND = frozenset({"by-hand", "by-hand-end"})
"""Events that only a person at the machine brings about."""
STATES = {table: (message, field) for message, (table, field, *_) in MACHINES.items()}
"""Where a node says the state of each table."""
FINISH_MS = 9000
NOWHERE = {"to": "nowhere", "to_slot": 255, "box": "X", "from": "nowhere", "from_slot": 0}


class Events:
    """Makes steps for one node, by what it is and, where the state matters, by what it said last."""

    def __init__(self, rng: Random, node: NodeSite, judge: NodeJudge) -> None:
        self._rng, self._node, self._judge = rng, node, judge
        acts = [act for role in node.roles for act in specification().acts_of(role) & specification().jobs]
        self.jobs = sorted(set(acts))
        self.table: Table = specification().tables[next(role for role in node.roles if role in STATES)]
        self.brings: dict[str, Callable[[], list[Step]]] = {
            **{act: lambda act=act: [self.job(act)] for act in specification().jobs},  # type: ignore[misc]
            **dict.fromkeys(("finish", "rest", "gone", "stop"), self._finish),
            **dict.fromkeys(("end", "arming"), lambda: [Step("sensors", "sensors", {"pick": self._coin()})]),
            "cancel": lambda: [order("cancel", "cancel of the last job", ref="$last-job")],
            "late": lambda: [
                self.job(deadline="at-once"),
                order("hold"),
                wait(1000),
                order("resume", holds="$holds"),
            ],
            "halt": lambda: [self.power(False), wait(100), self.power(True), wait(100)],
            "reset-fault": self._reset_fault,
            "order": lambda: [self.job()],
            "start": lambda: [wait(100)],
            "repeat": lambda: [self.job(id_="last-job")],
        }
        self.meets: dict[str, Callable[[], list[Step]]] = {
            "unreadable": lambda: [Step("bytes", "a byte that is no message", {"hex": "ff"})],
            "ask": lambda: [order("ask", token=rng.getrandbits(32))],
            "hold": lambda: [order("hold", "hold to all", topic="all") if self._coin() else order("hold")],
            "other_boot": lambda: [self.job(boot=rng.choice(("other", "before")))],
            "claim": lambda: [order("claim", "a claim", id_=rng.choice(("jump", "next", "below-mark", "last-job")))],
            "repeat_of_job": self._repeat,
            "cancel_of_job": self.brings["cancel"],
            "at_or_below_mark": lambda: [self.job(id_=rng.choice(("mark", "below-mark")))],
            "raise-mark": lambda: [self.job(id_="jump")],
            "cancel_of_later": lambda: [order("cancel", "cancel of an order above its own id", ref="$unseen")],
            "cancel_of_unseen": lambda: [order("cancel", "cancel of an order not seen yet", id_="jump", ref="$unseen")],
            "cancel_of_forgotten": lambda: [order("cancel", "cancel of an old order", ref=1)],
            "unsupported": lambda: [self._foreign()],
            "not_on_bench": lambda: [order("stimulus", "an input that fits no job", inputs=[["motor-power", True, 0]])],
            "holds_moved_on": lambda: [order("resume", "resume with another count", holds="$holds+1")],
            "faults_moved_on": lambda: [order("reset-fault", "reset-fault with another count", faults="$faults+1")],
            "finding_unfit": lambda: [order("reset-fault", "reset-fault with an odd finding", faults="$faults",
                                            found="box", place="nowhere")],
            "past_deadline": lambda: [self.job(deadline=rng.choice(("past", "long-past")))],
            "job_open": lambda: [self.job(), self.job()],
            "is_held": lambda: [order("hold"), self.job()],
            "mode_forbids": lambda: [self._unlikely()],
            "state_forbids": lambda: [self._unlikely()],
            "load_forbids": lambda: [self.job("transfer") if node.crane else self._unlikely()],
            "place_unknown": self._nowhere,
            "outside_table": self._nowhere,
            "out_of_reach": self._nowhere,
            "fit": lambda: [self.job()],
        }  # fmt: skip

    # ---- the tables

    @property
    def state(self) -> str:
        """The state of the node in its table, as it said it last; the initial one before."""
        message, field = STATES[self.table.name]
        return str(self._judge.states.get(message, {}).get(field, self.table.initial))

    def row(self, state: str) -> Transition | None:
        """A transition out of a state that a tester can bring about."""
        rows = [one for one in self.table.leaving(state) if one.event in self.brings]
        return self._rng.choice(rows) if rows else None

    def event(self, name: str) -> list[Step]:
        """Steps that bring about an event. Raises KeyError."""
        return self.brings[name]()

    def check(self) -> list[Step]:
        """Steps that are met by one of the checks of an order."""
        return self.meets[self._rng.choice(specification().order_checks).name]()

    # ---- orders

    def job(self, act: str = "", **relations: Any) -> Step:
        """A job: the one named, else mostly one that leads out of the state of now."""
        if not act:
            act = self._likely() if self._rng.random() < 0.8 else self._rng.choice(self.jobs)
        told = ", ".join(f"{name.strip('_')} {value}" for name, value in relations.items())
        return order(act, f"{act} with {told}" if told else act, **{**self._fields(act), **relations})

    def _leading(self) -> set[str]:
        return {row.event for row in self.table.leaving(self.state)} & set(self.jobs)

    def _likely(self) -> str:
        return self._rng.choice(sorted(self._leading()) or self.jobs)

    def _unlikely(self) -> Step:
        """A job for which the table has no row in this state."""
        return self.job(self._rng.choice(sorted(set(self.jobs) - self._leading()) or self.jobs))

    def _foreign(self) -> Step:
        """A job of another role."""
        return self.job(self._rng.choice(sorted(specification().jobs - set(self.jobs))))

    def _fields(self, act: str) -> dict[str, Any]:
        crane, shuttle = self._node.crane, self._node.shuttle
        if act == "run":
            return {"to": self._rng.choice(shuttle.stops if shuttle else ("quay-n",))}
        if act == "jog":
            axes = crane.axes if crane else ()
            return {"target": [self._rng.choice((a.least, a.most, a.park)) for a in axes] or [0]}
        if act == "transfer":
            return self._transfer(crane) if crane else dict(NOWHERE)
        return {}

    def _transfer(self, crane: CraneSite) -> dict[str, Any]:
        fixed = [one for one in crane.places.values() if not one.table and not one.at]
        ends = [self._rng.choice(fixed or list(crane.places.values())) for _ in range(2)]
        slots = [self._rng.randrange(len(end.slots)) for end in ends]
        body = {"from": ends[0].place, "from_slot": slots[0], "to": ends[1].place, "to_slot": slots[1]}
        return body | {"box": "HBU-2041"}

    def _repeat(self) -> list[Step]:
        """The id of the last job with the same content, or with other content."""
        others = [
            order("claim", "a claim with the id of the last job", id_="last-job"),
            order("reset-fault", "reset-fault with the id of the last job", id_="last-job", faults="$faults"),
            order("cancel", "cancel with the id of the last job", id_="last-job", ref="$last-job"),
        ]
        return [self.job(id_="last-job") if self._coin() else self._rng.choice(others)]

    def _nowhere(self) -> list[Step]:
        if self._node.crane and self._coin():
            return [order("jog", "jog outside the limits", target=[32767, -32768])]
        if self._node.crane:
            return [order("transfer", "transfer between unknown places", **NOWHERE)]
        return [order("run", "run to nowhere", to="nowhere")]

    # ---- the machine

    def power(self, on: bool) -> Step:
        """Motor power away or back, by stimulus."""
        says = "motor power back" if on else "motor power lost"
        return order("stimulus", says, inputs=[["motor-power", on, 0]])

    def _reset_fault(self) -> list[Step]:
        if not self._coin():
            return [order("reset-fault", faults="$faults")]
        shuttle = self._node.shuttle
        found = {"place": self._rng.choice(shuttle.stops)} if shuttle else {"found": "none"}
        return [order("reset-fault", "reset-fault with what a person found", faults="$faults", **found)]

    def _finish(self) -> list[Step]:
        return [Step("finish", "the sensors of a job that goes well", {"ms": FINISH_MS})]

    def _coin(self) -> bool:
        return self._rng.random() < 0.5
