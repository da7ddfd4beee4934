"""Follows a plan for a goal state, and plans again whenever the yard stands otherwise than the plan expects.

What was not heard of is unknown: nothing is planned and no goal counts as met before every node has told its
state since the claim. Where boxes, trains or a shuttle are not known, what rests on them waits, with the reason,
and the rest goes on.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from operator import attrgetter
from typing import Any

from protocol.site import Site
from reference_node.supervisor.observe.neighbours import beside
from reference_node.supervisor.observe.sent_order import SentOrder
from reference_node.supervisor.observe.yard_state import YardState
from reference_node.supervisor.plan.goal_state import GoalState, Visit
from reference_node.supervisor.plan.next_step import Step, Wait, carry, train_fields
from reference_node.supervisor.plan.problem_builder import ProblemBuilder, all_have_reported, applied
from reference_node.supervisor.plan.search.best_plan import Plan, Search
from reference_node.supervisor.plan.search.durations import Durations
from reference_node.supervisor.plan.search.hindrance import why_no_plan
from reference_node.supervisor.plan.search.problem import Problem, Task

MOST_STATES = 40_000
"""States that are looked at before a plan is settled for: meanwhile nothing moves."""
PORTION = 500
"""States of the search that are looked at in one go: well under the time in which an answer is due."""
PORTION_MS = 100
"""The next portion comes no sooner: in between there are messages to read."""
TRIES = 3
"""So often a train that has not come to rest is let in again."""
FOR_GOOD = frozenset({"place", "reach", "outside-table", "unsupported"})
"""Reasons of a refusal that no waiting fixes."""


@dataclass(frozen=True, slots=True)
class Orders:
    """What the execution of a plan may do besides planning."""

    look: Callable[[], YardState]
    """A picture of the yard as it is now."""
    start: Callable[[Step], str]
    """Order a step, or say what stands against it; '' where it was ordered."""
    note: Callable[[str], None]
    """Write down what was decided."""
    waiting: dict[Any, str]
    """What has no order out, and why: written again with each tick."""


class PlanExecution:
    """The plan for the goal state at hand, what of it is under way, and what is still to be done."""

    def __init__(self, site: Site, orders: Orders, been: Mapping[str, Sequence[str]] | None = None) -> None:
        """`been`: which of the first goal state's trains have been at each berth before, by a person's word."""
        self.plan: Plan | None = None
        """The plan that is followed, as it was made."""
        self.plans = 0
        """How many plans were made."""
        self.todo: list[Task] = []
        self.under_way: dict[str, Task] = {}
        self.lacking = ""
        """Why not all of the goal state is planned for, '' where all of it is."""
        self.blocked = ""
        """Why nothing can be done for the goal state until something else changes, '' where something can."""
        self._no_plan = ""
        self._all_reported = False
        self._site, self._orders = site, orders
        self._durations = Durations()
        self._goal_state: GoalState | None = None
        self._builder = ProblemBuilder(site, been or {})
        self._search: Search | None = None
        self._problem: Problem | None = None
        """What the search is about, or what the plan expects once all that was started has ended."""
        self._searched_ms: int | None = None
        self._ends_ms: dict[str, int] = {}
        self._tries: dict[tuple[str, str], int] = {}

    @property
    def been(self) -> Mapping[str, Sequence[str]]:
        """Names of the goal state's trains that have been at each berth, the one that stands there last."""
        return self._builder.been

    @property
    def is_at_work(self) -> bool:
        """Whether something is searched for, to be done or under way."""
        return self._search is not None or bool(self.todo) or bool(self.under_way)

    # ------------------------------------------------------------ towards the goal state
    def is_blocked_as_before(self, goal_state: GoalState) -> bool:
        """Whether what blocked `goal_state` when it was last followed is still all that it lacks."""
        return bool(self.blocked) and self._possible(self._orders.look(), goal_state)[1] == self.lacking

    def follow(self, goal_state: GoalState) -> bool:
        """Go on towards `goal_state`; True once it is so."""
        if goal_state is not self._goal_state:
            self._take(goal_state)
        met = self._follow(goal_state)
        if self.is_at_work or met:
            self.blocked = ""
        elif self._all_reported and self.plan is None:
            self.blocked = "; ".join(filter(None, (self._no_plan, self.lacking)))
        elif self._all_reported:
            self.blocked = self.lacking
        return met

    def _follow(self, goal_state: GoalState) -> bool:
        state = self._orders.look()
        self._builder.look_at_trains(state, goal_state, self.under_way)
        possible, self.lacking = self._possible(state, goal_state)
        now = self._builder.now(state, possible, self._problem, self.under_way)
        self._all_reported = not isinstance(now, str)
        if isinstance(now, str):
            self._orders.waiting["plan"] = now
            return False
        stands = now
        for task in self.under_way.values():
            stands = applied(stands, task)
        if self._problem is None or _stands(stands) != _stands(self._problem):
            self._begin_search(stands, state.now_ms)
        if self._search is not None and not self._go_on_searching(state.now_ms):
            return False
        if self.lacking:
            self._orders.waiting["goal"] = self.lacking
        self._start_what_may_start(state)
        done = self.plan is not None and not self.todo and not self.under_way
        return done and not self.lacking and all_have_reported(self._orders.look())

    def _take(self, goal_state: GoalState) -> None:
        first = self._goal_state is None
        self._goal_state, self.plan, self._search, self._problem = goal_state, None, None, None
        self.todo = []
        self._tries = {}
        self._builder.begin(first=first)

    def _begin_search(self, stands: Problem, now_ms: int) -> None:
        busy = {node: max(0, self._ends_ms[node] - now_ms) for node in self.under_way}
        self._problem = stands
        self._search = Search(self._builder.timed(stands, now_ms, busy, self._durations), MOST_STATES)
        if self.todo:
            self._orders.note("state differs from plan; replanning")
        self.plan, self.todo = None, []

    def _go_on_searching(self, now_ms: int) -> bool:
        self._orders.waiting["plan"] = "still planning"
        if self._searched_ms is not None and now_ms - self._searched_ms < PORTION_MS:
            return False
        self._searched_ms = now_ms
        search = self._search
        if search is None or not search.run(PORTION):
            return False
        self._search, self.plan = None, search.plan
        self.plans += 1
        del self._orders.waiting["plan"]
        if search.plan is None:
            self._no_plan = why_no_plan(search.yard.problem, exhausted=search.exhausted)
            self._orders.note(f"no plan: {self._no_plan}")
        else:
            self.todo = [timed.task for timed in search.plan.tasks]
            if self.todo:
                self._orders.note(f"planned: {search.plan}")
        return True

    def _possible(self, state: YardState, goal_state: GoalState) -> tuple[GoalState, str]:
        """The goal state without what cannot be planned for now, and why."""
        hopeless = {name for name, tries in self._tries.items() if tries >= TRIES}
        return self._builder.possible(state, goal_state, hopeless)

    # ------------------------------------------------------------ following the plan
    def _start_what_may_start(self, state: YardState) -> None:
        """Start whatever no earlier task of the node or of those beside it is left before."""
        if self.plan is None:
            self._orders.waiting["plan"] = self._no_plan
            return
        site = self._site
        blocked = {name for node in self.under_way for name in (node, *beside(site, node))}
        for task in list(self.todo):
            if task.node not in blocked:
                why = self._too_early(task, state.now_ms) or self._begin(task, state)
                state = self._orders.look() if not why else state
                if why:
                    self._orders.waiting[task] = why
            blocked |= {task.node, *beside(site, task.node)}

    def _too_early(self, task: Task, now_ms: int) -> str:
        visit = self._visit(task) if task.act == "admit" else None
        late = visit is not None and now_ms < visit.not_before_ms
        return f"train {task.train} comes later" if late else ""

    def _begin(self, task: Task, state: YardState) -> str:
        step = self._step(task, state)
        if isinstance(step, Wait):
            return step.why
        if (step.node, step.act) != (task.node, task.act):
            return (
                f"waits for {step.node} to {step.act}"  # The plan has that run, or is about to be made again.
            )
        why = self._orders.start(step)
        if not why and self._problem is not None:
            self.todo.remove(task)
            self.under_way[task.node] = task
            self._problem = applied(self._problem, task)
            planned = [one for one in self.plan.tasks if one.task == task] if self.plan is not None else []
            lasts = planned[0].end_ms - planned[0].start_ms if planned else 0
            self._ends_ms[task.node] = state.now_ms + lasts
        return why

    def _step(self, task: Task, state: YardState) -> Step | Wait:
        if task.act == "transfer" and task.target is not None:
            return carry(task.box, task.node, task.source, task.target, state)
        if task.act == "run":
            return Step(task.node, "run", {"to": task.stop})
        if task.act == "depart":
            return Step(task.node, "depart") if train_fields(state, task.node) else Wait("no train at rest")
        visit = self._visit(task)
        brings = visit.brings if visit is not None else ()
        return Step(task.node, "admit", {"train": task.train} if task.train else {}, brings=brings)

    def _visit(self, task: Task) -> Visit | None:
        """The visit as it is planned: of a train that was taken off meanwhile nobody knows what it brings."""
        visits = self._problem.goal_state.visits if self._problem is not None else ()
        return next((v for v in visits if (v.berth, v.train) == (task.node, task.train)), None)

    # ------------------------------------------------------------ what comes of it
    def job_ended(self, node: str, sent: SentOrder) -> None:
        """A job of the supervisor has ended, one of this plan or another."""
        task = self.under_way.pop(node, None)
        if task is None:
            return
        if sent.state == "done":
            self._builder.done(task)
        elif sent.state == "refused" and sent.reason in FOR_GOOD and task.act == "transfer":
            self._builder.never_again(task)
        elif task.act == "admit" and sent.state in ("failed", "unknown"):
            name = (node, task.train)
            self._tries[name] = self._tries.get(name, 0) + 1
            if self._tries[name] == TRIES:
                self._orders.note(
                    f"train {task.train} has not come to rest at {node} {TRIES} times; given up"
                )
        if sent.state in ("failed", "unknown") and task.act in ("admit", "depart"):
            self._builder.went_wrong(task)


_stands = attrgetter("goal_state", "boxes", "unsure", "stops", "let_in", "at_rest", "never")
"""How things stand, as far as a plan rests on it."""
