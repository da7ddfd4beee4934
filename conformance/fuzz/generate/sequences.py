"""Sequences of orders: walks through the state tables of the protocol, and plots that firmware stumbles over.

A walk takes the rows of the node's own table from the state that the node says it is in, and lays the checks
of an order and events out of place between them. It is no hypothesis state machine: that one owns the loop,
starts every example afresh and takes a node that answers otherwise the second time for a fault of the test,
while a board starts in seconds, goes on in the state it is in and is late when it likes. The tables drive
both alike.
"""

from __future__ import annotations

from collections.abc import Sequence
from random import Random
from typing import Any

from conformance.fuzz.generate.events import Events
from conformance.fuzz.generate.motion import moving_acts
from conformance.fuzz.generate.steps import Case, Step, disturbed, fence, order, wait
from conformance.fuzz.link import FAULTS
from conformance.oracle.node_judge import NodeJudge
from protocol.site import NodeSite

WRAP = 2**32
LASTS_MS = {"cut": (0,), "half-open": (60, 700, 4000), "broker-restart": (500, 3000)}
"""How long each fault of the link lasts; the others half a second."""


class Sequences:
    """Draws cases of several orders for one node."""

    def __init__(
        self,
        rng: Random,
        node: NodeSite,
        judge: NodeJudge,
        *,
        motion: bool,
        faults: Sequence[str] = tuple(FAULTS),
    ) -> None:
        """Without `motion` no step is left in that may move a machine; `faults` are those that the link can have."""
        self._rng, self._motion, self._link_faults = rng, motion, list(faults)
        self._events = Events(rng, node, judge)
        self._plots = [
            self._walk, self._walk, self._walk, self._repeats, self._cancels, self._holds, self._refusals,
            self._floods, self._restart_of_supervisor, self._wrap, self._faults,
        ]  # fmt: skip

    def draw(self) -> Case:
        """One case of a few steps."""
        return self._still(self._rng.choice(self._plots)())

    def draw_link(self) -> Case:
        """One case with a fault of the link."""
        return self._still(self._link_fault())

    def _still(self, steps: list[Step]) -> Case:
        return tuple(step for step in steps if self._motion or step.fields.get("act") not in moving_acts())

    # ---- walks

    def _walk(self) -> list[Step]:
        """From state to state along the table, with other things between."""
        state, steps = self._events.state, list[Step]()
        for _ in range(self._rng.randrange(2, 9)):
            row = self._events.row(state)
            roll = self._rng.random()
            if row is not None and roll < 0.6:
                steps += self._events.event(row.event)
                state = row.next
            elif roll < 0.9:
                steps += self._events.check()
            else:
                steps += self._events.event(self._rng.choice(sorted(self._events.brings)))
            if self._coin(0.3):
                steps.append(wait(self._rng.choice((10, 100, 2600))))
        return steps

    # ---- plots

    def _job(self, **relations: Any) -> Step:
        return self._events.job(**relations)

    def _others(self, most: int) -> list[Step]:
        return [step for _ in range(self._rng.randrange(most)) for step in self._events.check()]

    def _finish(self) -> list[Step]:
        return self._events.event("finish")

    def _repeats(self) -> list[Step]:
        """The same id again: at once, after the end, after other orders, with other content."""
        job = self._job()
        middle = self._finish() if self._coin(0.7) else []
        middle += [fence()] if self._coin(0.5) else []
        again = self._rng.choice(
            (
                _again(job, f"{job.fields['act']} again"),
                _again(job, f"{job.fields['act']} again"),
                Step("again", "the last bytes again", {"back": 1}),
                *self._events.meets["repeat_of_job"](),
            )
        )
        return [job, *middle, *self._others(6), again, wait(200)]

    def _cancels(self) -> list[Step]:
        """Cancels before, early, late, twice, for another boot; and the cancelled order again."""
        job = self._job()
        boot = self._rng.choice(("now", "now", "now", "other"))
        cancel = order("cancel", f"cancel for boot {boot}", ref="$last-job", boot=boot)
        steps = [job, wait(self._rng.choice((0, 30, 300))), cancel]
        if self._coin(0.3):
            steps = [*self._events.meets["cancel_of_unseen"](), job]
        if self._coin(0.6):
            steps += [wait(100), _again(job, f"the cancelled {job.fields['act']} again"), wait(300)]
        return steps

    def _holds(self) -> list[Step]:
        """Holds once and twice, to one and to all; orders while held; resumes that fit and that do not."""
        steps = [self._job(), wait(self._rng.choice((20, 200)))] if self._coin(0.6) else []
        for _ in range(self._rng.randrange(1, 4)):
            steps += self._events.meets["hold"]()
        steps += self._others(3)
        if self._coin(0.5):
            steps += self._events.meets["holds_moved_on"]()
        return [*steps, wait(100), order("resume", holds="$holds"), wait(400)]

    def _refusals(self) -> list[Step]:
        """Orders for an old boot, expired, stale, for places that there are not; a retained one."""
        checks = (
            "other_boot",
            "past_deadline",
            "at_or_below_mark",
            "unsupported",
            "place_unknown",
            "is_held",
        )
        steps = [
            step
            for _ in range(self._rng.randrange(1, 6))
            for step in self._events.meets[self._rng.choice(checks)]()
        ]
        steps.append(order("set-uptime", "set-uptime for another boot", uptime=0, boot="other"))
        retained = Step("retained", "a retained claim", {"act": "claim", "id_": "jump"})
        return [*steps, retained] if self._coin(0.3) else steps

    def _floods(self) -> list[Step]:
        """At and above the promised rate."""
        number = self._rng.choice((8, 20, 40))
        steps = [step for _ in range(number) for step in self._events.check()]
        return [
            *(Step(one.kind, one.says, {**one.fields, "flood": True}) for one in steps[:number]),
            wait(300),
        ]

    def _restart_of_supervisor(self) -> list[Step]:
        """In mid-job another supervisor asks, claims and goes on."""
        return [
            self._job(), wait(self._rng.choice((10, 150))), *self._events.meets["ask"](),
            order("claim", "a claim", id_="jump"), self._job(id_="last-job"), *self._finish(), self._job(), wait(200),
        ]  # fmt: skip

    def _wrap(self) -> list[Step]:
        """Uptime set to just before its wrap, with heartbeats, deadlines and a job across it."""
        before = self._rng.choice((50, 500, 1500, 4000))
        says = f"uptime set to {before} ms before its wrap"
        across = [self._job(), *self._finish()] if self._coin(0.6) else [wait(2600), wait(2600)]
        more = [self._job(deadline="lead"), self._job(deadline="past")] if self._coin(0.6) else []
        return [order("set-uptime", says, uptime=WRAP - before), *more, *across]

    def _faults(self) -> list[Step]:
        """Power lost in a job or without, cleared with counts that fit and that do not, and what follows."""
        steps = [self._job(), wait(100)] if self._coin(0.7) else []
        steps += [self._events.power(False), wait(100)]
        steps += [self._job()] if self._coin(0.5) else []
        if self._coin(0.7):
            steps += [self._events.power(True), wait(100), *self._events.meets["faults_moved_on"]()]
        clear = self._events.event("reset-fault")
        return [*steps, self._events.power(True), wait(100), *clear, wait(300), self._job(), wait(200)]

    # ---- the link

    def _link_fault(self) -> list[Step]:
        """A fault of the link with orders before, in it and behind."""
        fault = self._rng.choice(self._link_faults)
        lasts = self._rng.choice(LASTS_MS.get(fault, (500,)))
        before = [self._job() if self._coin(0.5) else self._hold(), wait(50)] if self._coin(0.8) else []
        before += self._finish() if before and self._coin(0.3) else []
        inside = [*self._others(3), self._hold(), *self._others(3)] if self._coin(0.6) else []
        behind = [wait(self._rng.choice((100, 4000))), *self._others(3)]
        return [*before, *disturbed(fault, lasts, *inside), *behind]

    def _hold(self) -> Step:
        return self._events.meets["hold"]()[0]

    def _coin(self, probability: float) -> bool:
        return self._rng.random() < probability


def _again(job: Step, says: str) -> Step:
    return Step("order", says, {**job.fields, "id_": "last-job"})
