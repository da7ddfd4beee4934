"""What must follow on a letter, by the tables alone: the checks of an order, the job, and the machine of each role.

Where the text leaves something open (a node may stop its job when its connection breaks, a transfer goes on by itself),
there is more than one outcome. Written from `protocol/v1/tables`, never from a node.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace

from conformance.suite.walk.desk import Desk, Outcome
from conformance.suite.walk.facts import Rules, any_numbers, facts_of
from conformance.suite.walk.letters import Letter, Order
from protocol.state_machine import matching_row
from protocol.transition_table import Check

BY_ITSELF = ("park", "jog", "transfer", "set-down")
"""Jobs that go on with no input of a tester, but for the load of a transfer."""
UNREAD = {"": "ENC-10", "tail": "ENC-12", "all": "HLD-07"}
"""Why an order is not read, by how it is written."""
AT_REST = ("empty", "at-rest", "at-place")
"""States in which a sensor that changes means that something was pushed [BER-10, SHT-07]."""


class Derivation:
    """The tables as they bind one node, asked what follows."""

    def __init__(self, rules: Rules) -> None:
        self.rules = rules
        self._known: dict[tuple[Desk, str], tuple[Outcome, ...]] = {}
        self._does: dict[str, Callable[[Desk, Letter, Order, Check, bool], Iterator[Outcome]]] = {
            "obey": self._hold,
            "refuse": self._refuse,
            "claim": self._claim,
            "repeat": self._repeat,
            "cancel": self._cancel,
            "cancelled": self._keep_out,
            "accept": self._accept,
        }

    def first(self) -> Desk:
        """The node as it comes up: each machine in the first state of its table, no job, not held."""
        spec, node = self.rules.spec, self.rules.node
        machines = tuple(spec.tables[role].initial for role in node.roles)
        return Desk(machines, load=self._load_at_start)

    @property
    def _load_at_start(self) -> str:
        crane = self.rules.node.crane
        return "" if crane is None else "none" if crane.load_sensor else "unsure"

    def outcomes(self, desk: Desk, letter: Letter) -> tuple[Outcome, ...]:
        """All that may follow on `letter` in that state; the first is what mostly does."""
        key = (desk, letter.name)
        if key not in self._known:
            self._known[key] = tuple(self._derived(desk, letter))
        return self._known[key]

    def _derived(self, desk: Desk, letter: Letter) -> Iterator[Outcome]:
        match letter.kind:
            case "link":
                yield from self._link(desk)
            case "bytes":
                yield Outcome(desk, None, UNREAD[letter.written], may_move=desk.moving)
            case "retained":
                yield Outcome(desk, None, "LNK-14", may_move=desk.moving)
            case "play" | "hand":
                yield from self._event(desk, letter.happens)
            case _:
                assert letter.order is not None
                yield from self._decide(desk, letter, letter.order(any_numbers(desk)))

    # ---- the checks of an order

    def _decide(self, desk: Desk, letter: Letter, order: Order) -> Iterator[Outcome]:
        facts = facts_of(self.rules, desk, letter, order)
        raised = False
        for check in self.rules.spec.order_checks:
            if check.does in ("bad-message", "answer"):
                continue
            if check.does == "raise-mark":
                raised = True
                facts["node"]["mark"] = order["id"]
            elif check.name == "fit" or self.rules.holds(check.name, facts):
                yield from self._does[check.does](desk, letter, order, check, raised)
                return

    def _hold(
        self, desk: Desk, _letter: Letter, _order: Order, _check: Check, _raised: bool
    ) -> Iterator[Outcome]:
        yield Outcome(replace(desk, held=True), None, "HLD-01", holds=1, may_move=desk.moving)

    def _refuse(
        self, desk: Desk, _letter: Letter, order: Order, check: Check, raised: bool
    ) -> Iterator[Outcome]:
        requirement = self.rules.requirement(check.name, "ORD-20")
        yield Outcome(desk, ("refused", check.reason), requirement, raised, may_move=desk.moving)

    def _claim(
        self, desk: Desk, letter: Letter, order: Order, _check: Check, _raised: bool
    ) -> Iterator[Outcome]:
        mark = any_numbers(desk).mark
        said = ("done", None) if order["id"] >= mark else ("refused", "stale")
        above = "ENC-09" if letter.written == "strange" else "CLM-01"
        requirement = above if order["id"] > mark else "CLM-02"
        yield Outcome(desk, said, requirement, raised=order["id"] > mark, may_move=desk.moving)

    def _repeat(
        self, desk: Desk, _letter: Letter, order: Order, _check: Check, _raised: bool
    ) -> Iterator[Outcome]:
        row = next(self.rules.spec.tables["job"].rows(desk.job, "repeat"))
        requirement = (
            "ORD-22" if order["act"] == "cancel" and "ORD-22" in self.rules.spec.requirements else "ORD-06"
        )
        yield Outcome(replace(desk, job=row.next), (desk.job, None), requirement, may_move=desk.moving)

    def _cancel(
        self, desk: Desk, _letter: Letter, _order: Order, _check: Check, _raised: bool
    ) -> Iterator[Outcome]:
        facts = {"job": {"past_return": desk.picked}}
        row = matching_row(
            self.rules.spec.tables["job"], desk.job, "cancel", lambda guard: self.rules.holds(guard, facts)
        )
        assert row is not None
        if not desk.open:
            yield Outcome(desk, (row.next, None), "ORD-17")
        elif row.next == "running":
            yield Outcome(desk, ("running", "too-late"), "ORD-17", may_move=desk.moving)
        else:
            yield Outcome(
                self._fire_role(self._end(desk, row.next), desk.act, "cancel"), (row.next, None), "ORD-17"
            )

    def _keep_out(
        self, desk: Desk, _letter: Letter, _order: Order, _check: Check, raised: bool
    ) -> Iterator[Outcome]:
        yield Outcome(desk, ("cancelled", None), "ORD-18", raised, may_move=desk.moving)

    def _accept(
        self, desk: Desk, letter: Letter, order: Order, _check: Check, raised: bool
    ) -> Iterator[Outcome]:
        act = str(order["act"])
        if act in self.rules.spec.jobs:
            yield self._begin(desk, letter, act, raised)
        elif act == "resume":
            moves = desk.open
            yield Outcome(replace(desk, held=False), ("done", None), "HLD-05", raised, may_move=moves)
        elif act == "reset-fault":
            yield self._reset(desk, order, raised)
        elif act == "stimulus":
            for after in self._event(desk, letter.happens):
                yield replace(after, said=("done", None), raised=raised)
        else:
            yield Outcome(desk, ("done", None), "BEN-04", raised, may_move=desk.moving)

    def _begin(self, desk: Desk, letter: Letter, act: str, raised: bool) -> Outcome:
        """A job is accepted and starts: nothing keeps it from that, for no hold stands."""
        # Of a berth's or shuttle's way none leads back, and of a box that hangs in the spreader nobody can say.
        picked = self.rules.role_of(act) != "crane" or letter.act == "set-down"
        running = replace(desk, job="running", act=letter.act, picked=picked)
        if act == "home":
            running = replace(running, homed=False)
        arrivals = 1 if act == "admit" else 0
        return Outcome(
            self._fire_role(running, letter.act, act),
            ("accepted", None),
            "ORD-15",
            raised,
            True,
            arrivals=arrivals,
            may_move=True,
        )

    def _reset(self, desk: Desk, order: Order, raised: bool) -> Outcome:
        """A person has looked; each role goes on by the guards of its table."""
        facts = {"order": order, "crane": {"every_axis_homed": desk.homed}}
        after = desk
        for number, role in enumerate(self.rules.node.roles):
            row = matching_row(
                self.rules.spec.tables[role],
                desk.machines[number],
                "reset-fault",
                lambda guard: self.rules.holds(guard, facts),
            )
            after = after if row is None else _with_machine(after, number, row.next)
        crane = self.rules.node.crane
        if crane is not None and not crane.load_sensor and "found" in order:
            after = replace(after, load=str(order["found"]))
        stands = after.machines != desk.machines and "at-place" in after.machines
        return Outcome(
            after, ("done", None), "FLT-05", raised, stops=(0, 1) if stands else (0,), may_move=desk.moving
        )

    # ---- what no order says

    def _event(self, desk: Desk, event: str) -> Iterator[Outcome]:
        match event:
            case "power-failure":
                lost = self._halt(replace(desk, homed=False), "FLT-06", self.rules.node.roles)
                if "manual" in desk.machines:
                    # The switch by which it was taken by hand is still closed.
                    yield replace(lost, next=self._fire_role(lost.next, "home", "by-hand"))
                yield lost
            case "pushed":
                struck = [
                    role
                    for role, state in zip(self.rules.node.roles, desk.machines, strict=True)
                    if state in AT_REST
                ]
                requirement = "BER-10" if "berth" in self.rules.node.roles else "SHT-07"
                yield self._halt(desk, requirement, struck) if struck else Outcome(desk, None, requirement)
            case "arming":
                yield Outcome(self._fire_role(desk, "admit", "arming"), None, "BER-04", may_move=True)
            case "early-end":
                yield Outcome(desk, None, "BER-04", may_move=True)
            case "grip":
                yield Outcome(replace(desk, picked=True, load="box"), None, "CRN-10", may_move=True)
            case "miss":
                yield replace(self._halt(desk, "FLT-02", ["crane"]), may_move=True)
            case "by-hand" | "by-hand-end":
                after = self._fire_role(replace(desk, homed=False), "home", event)
                yield Outcome(after, None, "CRN-02", may_move=False)
            case "finish":
                yield self._finish(desk)

    def _finish(self, desk: Desk) -> Outcome:
        """The job is done, and the machine where the table says."""
        ended = self._end(desk, "done")
        match desk.act:
            case "admit":
                armed = self._fire_role(ended, "admit", "arming") if "admitting" in desk.machines else ended
                after = self._fire_role(armed, "admit", "rest")
            case "depart":
                after = self._fire_role(ended, "depart", "gone")
            case "run":
                after = self._fire_role(ended, "run", "stop", {"stop": "there", "target": "there"})
            case act:
                after = self._fire_role(ended, act, "finish")
        if desk.act == "home":
            after = replace(after, homed=True)
        if desk.act in ("transfer", "set-down"):
            after = replace(after, load="none")
        stops = (1,) if desk.act == "run" else (0,)
        return Outcome(after, None, "ORD-16", stops=stops, may_move=True)

    def _link(self, desk: Desk) -> Iterator[Outcome]:
        """A node that loses its connection goes on, or stops its job safely [SAF-04]; all else it keeps."""
        yield Outcome(desk, None, "FLT-05", may_move=desk.moving)
        if desk.open:
            yield replace(self._halt(desk, "SAF-04", [self.rules.role_of(_act(desk.act))]), may_move=True)

    def _halt(self, desk: Desk, requirement: str, struck: object) -> Outcome:
        """A fault of level halt: the job fails, and those whom it strikes go by their tables."""
        assert isinstance(struck, list | tuple)
        roles = {*struck, *([self.rules.role_of(_act(desk.act))] if desk.open else [])}
        after = self._end(desk, "failed") if desk.open else desk
        for number, role in enumerate(self.rules.node.roles):
            if role in roles:
                after = _with_machine(after, number, self._next(role, after.machines[number], "halt"))
        return Outcome(after, None, requirement, faults=1, may_move=desk.moving)

    def drift(self, desk: Desk) -> tuple[tuple[Desk, int], ...]:
        """That state and all into which the node may come by itself, each with the faults on the way."""
        found: dict[tuple[Desk, int], None] = {(desk, 0): None}
        todo = [(desk, 0)]
        while todo:
            state, faults = todo.pop()
            for after, more in self._alone(state):
                if (after, faults + more) not in found:
                    found[after, faults + more] = None
                    todo.append((after, faults + more))
        return tuple(found)

    def _alone(self, desk: Desk) -> Iterator[tuple[Desk, int]]:
        if not desk.moving or desk.act not in BY_ITSELF:
            return
        if desk.act in ("park", "jog") or desk.picked:
            yield self._finish(desk).next, 0
        if desk.act == "transfer" and not desk.picked:
            yield replace(desk, picked=True), 0
        crane = self.rules.node.crane
        if desk.act in ("transfer", "set-down") and desk.picked:
            for load in ("box", "none") if crane is None or crane.load_sensor else ("box", "none", "unsure"):
                yield replace(desk, load=load), 0
            # The kit may play the load too late, after a reconnect for one.
            yield self._halt(desk, "FLT-02", ["crane"]).next, 1
            if crane is not None and not crane.load_sensor:
                yield replace(self._halt(desk, "FLT-02", ["crane"]).next, load="unsure"), 1

    # ---- the tables of the machines

    def _fire_role(self, desk: Desk, act: str, event: str, facts: dict[str, object] | None = None) -> Desk:
        """The desk after `event` has befallen the machine of the role whose job `act` is."""
        role = self.rules.role_of(_act(act))
        number = self.rules.node.roles.index(role)
        return _with_machine(desk, number, self._next(role, desk.machines[number], event, facts))

    def _next(self, role: str, state: str, event: str, facts: dict[str, object] | None = None) -> str:
        row = matching_row(
            self.rules.spec.tables[role], state, event, lambda guard: self.rules.holds(guard, facts or {})
        )
        return state if row is None else row.next

    def _end(self, desk: Desk, how: str) -> Desk:
        return replace(desk, job=how, act="", picked=False)


def _act(called: str) -> str:
    return "transfer" if called == "set-down" else called


def _with_machine(desk: Desk, number: int, state: str) -> Desk:
    machines = list(desk.machines)
    machines[number] = state
    return replace(desk, machines=tuple(machines))
