"""Sequences of orders, drawn by what the node is now: most lead on from its state, some must be refused."""

from __future__ import annotations

from random import Random
from typing import Any

from conformance.fuzz.player import moving_acts
from conformance.fuzz.referee import Referee
from conformance.fuzz.steps import Case, Step, order, wait
from protocol.site import NodeSite
from protocol.specification import specification

WRAP = 2**32


class Sequences:
    """Draws cases of several orders for one node."""

    def __init__(self, rng: Random, node: NodeSite, referee: Referee, *, motion: bool, links: bool) -> None:
        self._rng, self._node, self._referee = rng, node, referee
        self._motion, self._links = motion, links
        jobs = [
            act for role in node.roles for act in sorted(specification().acts_of(role) & specification().jobs)
        ]
        self._jobs = list(dict.fromkeys(jobs))
        self._plots = [
            self._repeats, self._cancels, self._holds, self._refusals, self._floods, self._restart_of_supervisor,
            self._wrap, self._faults, self._walk,
        ]  # fmt: skip
        self._plots += [self._link_faults] if links else []

    def draw(self) -> Case:
        """One case of a few steps."""
        steps = self._rng.choice(self._plots)()
        steps = [step for step in steps if self._motion or step.fields.get("act") not in moving_acts()]
        return tuple(steps)

    # ---- orders

    def job(self, **relations: Any) -> Step:
        """A job that the node can take, if its state is right: the one that the state asks for, mostly."""
        act = self._likely() if self._rng.random() < 0.8 else self._rng.choice(self._jobs)
        fields = self._fields(act)
        if relations:
            says = f"{act} " + ", ".join(f"{name.strip('_')} {value}" for name, value in relations.items())
        else:
            says = act
        return order(act, says, **{**fields, **relations})

    def _likely(self) -> str:
        states = self._referee.states
        if self._node.crane:
            mode = states.get("crane-status", {}).get("mode")
            return "home" if mode == "unhomed" else self._rng.choice(("home", "park", "jog", "transfer"))
        if self._node.berth:
            return "depart" if states.get("train-arrival", {}).get("state") == "at-rest" else "admit"
        return "run"

    def _fields(self, act: str) -> dict[str, Any]:
        crane, shuttle = self._node.crane, self._node.shuttle
        if act == "run" and shuttle:
            return {"to": self._rng.choice(shuttle.stops)}
        if act == "jog" and crane:
            return {"target": [self._rng.choice((a.least, a.most, a.park)) for a in crane.axes]}
        if act == "transfer" and crane:
            places = [one for one in crane.places.values() if not one.table and not one.at] or list(
                crane.places.values()
            )
            ends = [self._rng.choice(places) for _ in range(2)]
            slots = [self._rng.randrange(len(end.slots)) for end in ends]
            body = {"from": ends[0].place, "from_slot": slots[0], "to": ends[1].place, "to_slot": slots[1]}
            return body | {"box": "HBU-2041"}
        return {}

    def other(self) -> Step:
        """An order that is no job, or that must be refused."""
        choices = [
            order("ask", token=self._rng.getrandbits(32)),
            order("claim", "a claim", id_="jump"),
            order("claim", "an old claim", id_="below-mark"),
            order("claim", "a claim for another boot", boot="other"),
            order("cancel", "cancel of the last job", ref="$last-job"),
            order("cancel", "cancel of an order not seen yet", ref="$unseen"),
            order("hold"),
            order("resume", holds="$holds"),
            order("resume", "resume with another count", holds="$holds+1"),
            order("reset-fault", faults="$faults"),
            order("reset-fault", "reset-fault with another count", faults="$faults+1"),
            order("stimulus", "an input that fits no job", inputs=[["motor-power", True, 0]]),
        ]
        return self._rng.choice(choices)

    # ---- plots

    def _finish(self) -> list[Step]:
        return [wait(300), Step("sensors", "the sensors of a job that goes well", {"pick": 1}), wait(4000)]

    def _repeats(self) -> list[Step]:
        """The same id again: at once, after the end, after other orders, with other content."""
        job = self.job()
        middle = self._finish() if self._rng.random() < 0.7 else []
        middle += [self.other() for _ in range(self._rng.randrange(6))]
        again = self._rng.choice(
            (
                self.job(id_="last-job"),
                order(str(job.fields["act"]), f"{job.fields['act']} again", **_but_act(job), id_="last-job"),
                Step("again", "the last bytes again", {"back": 1}),
                order("claim", "a claim with the id of the job", id_="last-job"),
                order("reset-fault", "reset-fault with the id of the job", id_="last-job", faults="$faults"),
            )
        )
        return [job, *middle, again, wait(200)]

    def _cancels(self) -> list[Step]:
        """Cancels before, early, late, twice, for another boot; and the cancelled order again."""
        job = self.job()
        boot = self._rng.choice(("now", "now", "now", "other"))
        cancel = order("cancel", f"cancel for boot {boot}", ref="$last-job", boot=boot)
        steps = [job, wait(self._rng.choice((0, 30, 300))), cancel]
        if self._rng.random() < 0.3:
            steps = [order("cancel", "cancel before the order", ref="$unseen"), job]
        if self._rng.random() < 0.6:
            again = order(str(job.fields["act"]), f"the cancelled {job.fields['act']} again", **_but_act(job))
            steps += [wait(100), Step("order", again.says, {**again.fields, "id_": "last-job"}), wait(300)]
        return steps

    def _holds(self) -> list[Step]:
        """Holds once and twice, to one and to all; orders while held; resumes that fit and that do not."""
        steps = [self.job(), wait(self._rng.choice((20, 200)))] if self._rng.random() < 0.6 else []
        for _ in range(self._rng.randrange(1, 4)):
            steps.append(
                order("hold", "hold to all", topic="all") if self._rng.random() < 0.4 else order("hold")
            )
        steps += [self._rng.choice((self.job(), self.other(), order("cancel", ref="$last-job")))]
        if self._rng.random() < 0.5:
            steps.append(order("resume", "resume with another count", holds="$holds+1"))
        return [*steps, wait(100), order("resume", holds="$holds"), wait(400)]

    def _refusals(self) -> list[Step]:
        """Orders for an old boot, expired, stale, for places that there are not."""
        wrong = [
            self.job(boot="other"), self.job(boot="before"), self.job(deadline="past"),
            self.job(deadline="long-past"), self.job(id_="mark"), self.job(id_="below-mark"),
            order("home", "home"), order("run", "run to nowhere", to="nowhere"),
            order("transfer", "transfer between unknown places", to="nowhere", to_slot=255, box="X",
                  **{"from": "nowhere", "from_slot": 0}),
            order("jog", "jog outside the limits", target=[32767, -32768]),
            order("cancel", "cancel for another boot", ref="$last-job", boot="other"),
            order("set-uptime", "set-uptime for another boot", uptime=0, boot="other"),
        ]  # fmt: skip
        retained = Step("retained", "a retained claim", {"act": "claim", "id_": "jump"})
        steps = [self._rng.choice(wrong) for _ in range(self._rng.randrange(1, 6))]
        return [*steps, retained] if self._rng.random() < 0.3 else steps

    def _floods(self) -> list[Step]:
        """At and above the promised rate."""
        number = self._rng.choice((8, 20, 40))
        steps = []
        for _ in range(number):
            one = self.other() if self._rng.random() < 0.7 else self.job(boot="other")
            steps.append(Step(one.kind, one.says, {**one.fields, "flood": True}))
        return [*steps, wait(300)]

    def _restart_of_supervisor(self) -> list[Step]:
        """In mid-job another supervisor asks, claims and goes on."""
        return [
            self.job(), wait(self._rng.choice((10, 150))), order("ask", token=self._rng.getrandbits(32)),
            order("claim", "a claim", id_="jump"), self.job(id_="last-job"), *self._finish(), self.job(), wait(200),
        ]  # fmt: skip

    def _wrap(self) -> list[Step]:
        """Uptime set to just before its wrap, with heartbeats, deadlines and a job across it."""
        before = self._rng.choice((50, 500, 1500, 4000))
        says = f"uptime set to {before} ms before its wrap"
        across = [self.job(), *self._finish()] if self._rng.random() < 0.6 else [wait(2600), wait(2600)]
        more = [self.job(deadline="lead"), self.job(deadline="past")] if self._rng.random() < 0.6 else []
        return [order("set-uptime", says, uptime=WRAP - before), *more, *across]

    def _faults(self) -> list[Step]:
        """Power lost in a job or without, cleared with counts that fit and that do not, and what follows."""
        lost = order("stimulus", "motor power lost", inputs=[["motor-power", False, 0]])
        back = order("stimulus", "motor power back", inputs=[["motor-power", True, 0]])
        steps = [self.job(), wait(100)] if self._rng.random() < 0.7 else []
        steps += [lost, wait(100)]
        if self._rng.random() < 0.5:
            steps.append(self.job())
        steps += (
            [back, wait(100), order("reset-fault", faults="$faults+1")] if self._rng.random() < 0.7 else []
        )
        found = self._found()
        clear = order("reset-fault", "reset-fault with what a person found", faults="$faults", **found)
        return [*steps, back, wait(100), clear, wait(300), self.job(), wait(200)]

    def _found(self) -> dict[str, Any]:
        if self._node.shuttle:
            return {"place": self._node.shuttle.stops[0]}
        return {"found": "none"}

    def _walk(self) -> list[Step]:
        """Anything after anything."""
        steps: list[Step] = []
        for _ in range(self._rng.randrange(2, 9)):
            roll = self._rng.random()
            steps.append(self.job() if roll < 0.35 else self.other())
            if roll > 0.8:
                steps.append(wait(self._rng.choice((10, 100, 2600))))
            elif roll > 0.7:
                steps.append(Step("sensors", "sensors", {"pick": 0}))
        return steps

    def _link_faults(self) -> list[Step]:
        """Cuts, half-open connections, lost acknowledgements, with an order before and behind."""
        fault = self._rng.choice(
            (
                Step("cut", "the connection cut"),
                Step("mute", "silence both ways", {"ms": self._rng.choice((50, 700, 4000))}),
                Step("deaf", "no acknowledgement arrives", {"ms": 500}),
                Step("slow", "a slow link", {"ms": 600, "delay_ms": 150}),
            )
        )
        before = [self._rng.choice((self.job(), self.other(), order("hold"))), wait(50)]
        behind = [wait(self._rng.choice((100, 4000))), self.other()]
        return [*(before if self._rng.random() < 0.8 else []), fault, *behind]


def _but_act(step: Step) -> dict[str, Any]:
    return {name: value for name, value in step.fields.items() if name not in ("act", "id_")}
