"""The same question put to a solver: which sequence of so many jobs costs least? Solved by OR-Tools CP-SAT."""

from __future__ import annotations

from collections.abc import Callable
from itertools import permutations
from typing import NamedTuple

from ortools.sat.python import cp_model

from reference_node.supervisor.observe.boxes import Spot
from tests.planning import times
from tests.planning.every_order import QUAY, REACH
from tests.planning.yards import NEAR, SITE, Case

HORIZON = 400_000
Need = Callable[[cp_model.BoundedLinearExpression | bool], None]


class Job(NamedTuple):
    """One job that a sequence may contain."""

    node: str
    act: str
    cost: int
    source: Spot | None = None
    target: Spot | None = None
    stop: str = ""


def least_cost_by_cp_sat(case: Case, steps: int) -> int:
    """The least of end and work together over all sequences of at most `steps` jobs, with one train at most."""
    return _Program(case, steps).solve()


def _jobs(case: Case) -> list[Job]:
    found = [Job("ferry", "run", times.RUN, stop=stop) for stop in ("quay-n", "quay-s")]
    if case.goal_state.visits:
        found.append(Job("siding", "admit", times.ADMIT))
        found.append(Job("siding", "depart", times.DEPART))
    for crane, places in REACH.items():
        spots = [Spot(place, slot) for place in places for slot in range(SITE.places[place].slots)]
        for source, target in permutations(spots, 2):
            if case.goal_state.visits or "siding" not in (source.place, target.place):
                lasts = times.transfer(crane, None, source, target)
                found.append(Job(crane, "transfer", lasts, source, target))
    return found


class _Program:
    def __init__(self, case: Case, steps: int) -> None:
        self.case, self.steps, self.model = case, steps, cp_model.CpModel()
        self.jobs = _jobs(case)
        self.spots = [Spot(place.name, slot) for place in SITE.places.values() for slot in range(place.slots)]
        brought = [box for visit in case.goal_state.visits for box in visit.brings if box]
        self.boxes = [*case.boxes, *brought]
        bool_var = self.model.new_bool_var
        moments = range(steps + 1)
        self.at = {(b, s, k): bool_var(f"{b}{s}{k}") for b in self.boxes for s in self.spots for k in moments}
        self.north = [bool_var(f"n{k}") for k in moments]
        self.fixtures = [bool_var(f"t{k}") for k in moments]
        self.came = [bool_var(f"c{k}") for k in moments]
        self.does = [[bool_var(f"d{k}{j}") for j in range(len(self.jobs))] for k in range(steps)]
        self.start = [self.model.new_int_var(0, HORIZON, f"s{k}") for k in range(steps)]
        self.end = [self.model.new_int_var(0, HORIZON, f"e{k}") for k in range(steps)]
        self.last = self.model.new_int_var(0, HORIZON, "last")

    def solve(self) -> int:
        self._begin()
        for k in range(self.steps):
            self.model.add_at_most_one(self.does[k])
            self._times(k)
            for job, does in zip(self.jobs, self.does[k], strict=True):
                self._needs(job, does, k)
            self._effects(k)
        self._goals()
        work = [job.cost * does for step in self.does for job, does in zip(self.jobs, step, strict=True)]
        cost = self.last + sum(work)
        self.model.minimize(cost)
        solver = cp_model.CpSolver()
        solver.parameters.num_workers = 1
        solver.parameters.random_seed = 1
        status = solver.solve(self.model)
        assert status == cp_model.OPTIMAL, solver.status_name(status)
        return round(solver.objective_value)

    def _begin(self) -> None:
        case, add = self.case, self.model.add
        for box in self.boxes:
            for spot in self.spots:
                add(self.at[box, spot, 0] == int(case.boxes.get(box) == spot))
        add(self.north[0] == int(case.stop == "quay-n"))
        add(self.fixtures[0] == int(case.at_rest))
        add(self.came[0] == int(case.at_rest))
        add(self.last >= max(case.busy_ms.values(), default=0))

    def _times(self, k: int) -> None:
        model = self.model
        for job, does in zip(self.jobs, self.does[k], strict=True):
            model.add(self.end[k] == self.start[k] + job.cost).only_enforce_if(does)
            model.add(self.last >= self.end[k]).only_enforce_if(does)
            model.add(
                self.start[k] >= max(self.case.busy_ms.get(n, 0) for n in NEAR[job.node])
            ).only_enforce_if(does)
            if job.act == "admit":
                model.add(self.start[k] >= self.case.goal_state.visits[0].not_before_ms).only_enforce_if(does)
        for before in range(k):
            for node, near in NEAR.items():
                now = self._any(k, {node})
                for earlier in [self._any(before, near)]:
                    model.add(self.start[k] >= self.end[before]).only_enforce_if(now, earlier)

    def _any(self, k: int, nodes: set[str]) -> cp_model.IntVar:
        """Whether step `k` is a job of one of `nodes`."""
        found = self.model.new_bool_var("")
        self.model.add(
            found == sum(d for job, d in zip(self.jobs, self.does[k], strict=True) if job.node in nodes)
        )
        return found

    def _holds(self, spot: Spot, k: int) -> cp_model.LinearExprT:
        return sum(self.at[box, spot, k] for box in self.boxes)

    def _needs(self, job: Job, does: cp_model.IntVar, k: int) -> None:
        def need(condition: cp_model.BoundedLinearExpression | bool) -> None:
            self.model.add(condition).only_enforce_if(does)

        if job.act == "run":
            need(self.north[k] == int(job.stop != "quay-n"))
        elif job.act == "admit":
            need(self.came[k] == 0)
        elif job.act == "depart":
            self._loaded(need, k)
        elif job.source is not None and job.target is not None:
            need(self._holds(job.source, k) == 1)
            need(self._holds(job.target, k) == 0)
            for spot in (job.source, job.target):
                if spot.place == "ferry":
                    need(self.north[k] == int(QUAY[job.node] == "quay-n"))
                if spot.place == "siding":
                    need(self.fixtures[k] == 1)
            self._column(job.source, job.target, need, k)

    def _loaded(self, need: Need, k: int) -> None:
        need(self.fixtures[k] == 1)
        for slot, box in self.case.goal_state.visits[0].takes.items():
            need(self.at[box, Spot("siding", slot), k] == 1)
        for box in self.case.goal_state.boxes:
            for spot in self.spots:
                if spot.place == "siding":
                    need(self.at[box, spot, k] == 0)

    def _column(self, source: Spot, target: Spot, need: Need, k: int) -> None:
        if source.place.startswith("stack") and source.slot % 2 == 0:
            need(self._holds(Spot(source.place, source.slot + 1), k) == 0)
        if target.place.startswith("stack") and target.slot % 2 == 1:
            below = Spot(target.place, target.slot - 1)
            need(self._holds(below, k) == (1 if below != source else 2))
        if target.place == "siding":
            box = self.case.goal_state.visits[0].takes.get(target.slot)
            need(self.at[box, source, k] == 1 if box is not None else self.fixtures[k] == 2)

    def _effects(self, k: int) -> None:
        does = dict(zip(self.jobs, self.does[k], strict=True))
        for box in self.boxes:
            for spot in self.spots:
                self._box_effects(box, spot, does, k)
        self._state_effects(does, k)

    def _box_effects(self, box: str, spot: Spot, does: dict[Job, cp_model.IntVar], k: int) -> None:
        model, after = self.model, self.at[box, spot, k + 1]
        touched = []
        for job, d in does.items():
            if job.source == spot or (job.act == "depart" and spot.place == "siding"):
                model.add(after == 0).only_enforce_if(d)
            elif job.target == spot and job.source is not None:
                model.add(after == self.at[box, job.source, k]).only_enforce_if(d)
            elif job.act == "admit" and spot.place == "siding":
                model.add(
                    after == int(self.case.goal_state.visits[0].brings[spot.slot] == box)
                ).only_enforce_if(d)
            else:
                continue
            touched.append(d)
        model.add(after == self.at[box, spot, k]).only_enforce_if([d.negated() for d in touched])

    def _state_effects(self, does: dict[Job, cp_model.IntVar], k: int) -> None:
        model = self.model
        for values, on, off in (
            (self.north, ("run", "quay-n"), ("run", "quay-s")),
            (self.fixtures, ("admit", ""), ("depart", "")),
            (self.came, ("admit", ""), None),
        ):
            sets = [d for job, d in does.items() if (job.act, job.stop) == on]
            clears = [d for job, d in does.items() if (job.act, job.stop) == off]
            for d in sets:
                model.add(values[k + 1] == 1).only_enforce_if(d)
            for d in clears:
                model.add(values[k + 1] == 0).only_enforce_if(d)
            model.add(values[k + 1] == values[k]).only_enforce_if([d.negated() for d in (*sets, *clears)])

    def _goals(self) -> None:
        for box, spot in self.case.goal_state.boxes.items():
            self.model.add(self.at[box, spot, self.steps] == 1)
        self.model.add(self.came[self.steps] == int(bool(self.case.goal_state.visits)))
        self.model.add(self.fixtures[self.steps] == 0)
