"""The goals of a supervisor: which is worked on, and which is blocked while a later one goes on.

Goals are met one after the other. One that is blocked lets those after it go on that share nothing with it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from protocol.site import Site
from reference_node.supervisor.observe.sent_order import SentOrder
from reference_node.supervisor.plan.execution import Orders, PlanExecution
from reference_node.supervisor.plan.goal_state import GoalState
from reference_node.supervisor.plan.goals import Goal, Single, Together, are_independent, singles
from reference_node.supervisor.plan.next_step import Wait, is_met, next_step


@dataclass(frozen=True, slots=True)
class ListedGoal:
    """One goal that is not met yet, for a person."""

    number: int
    """Its name: never given to another goal."""
    text: str
    blocked: str = ""
    """What it waits for, '' where it is worked on or only waits for its turn."""


@dataclass(eq=False, slots=True)
class _Entry:
    number: int
    goal: Goal
    execution: PlanExecution | None = None
    blocked: str = ""


class GoalList:
    """Follows a supervisor's goals; `goals` is the supervisor's own list of those that are not met yet."""

    def __init__(self, site: Site, orders: Orders, been: Mapping[str, Sequence[str]] | None) -> None:
        self._site, self._orders = site, orders
        self._entries: list[_Entry] = []
        self._given = 0
        self.execution = PlanExecution(site, orders, been)
        """Of the goal state that is worked on, or was last."""
        self._first: PlanExecution | None = self.execution

    # ------------------------------------------------------------ for a person
    def listed(self, goals: Sequence[Goal]) -> list[ListedGoal]:
        """What is still to be met, in order."""
        return [ListedGoal(one.number, str(one.goal), one.blocked) for one in self._of(goals)]

    def find(self, goals: Sequence[Goal], number: int) -> Goal | None:
        """The goal of that number, None where there is none."""
        return next((one.goal for one in self._of(goals) if one.number == number), None)

    def number_of(self, goals: Sequence[Goal], goal: Goal) -> int:
        """The number of a goal of the list."""
        return next(one.number for one in self._of(goals) if one.goal is goal)

    def been(self, goals: Sequence[Goal], goal: Goal) -> Mapping[str, Sequence[str]]:
        """Names of the trains of a goal that have been at each berth, the one that stands there last."""
        execution = next((one.execution for one in self._of(goals) if one.goal is goal), None)
        return execution.been if execution is not None else {}

    # ------------------------------------------------------------ going on
    def go_on(self, goals: list[Goal]) -> list[Goal]:
        """Work on the first goal that is not blocked; those that are met are taken off the list and given back."""
        met: list[Goal] = []
        blocked: list[_Entry] = []
        for entry in self._of(goals):
            entry.blocked = self._behind(entry, blocked) or self._stays_blocked(entry)
            if not entry.blocked:
                if self._follow(entry):
                    met.append(entry.goal)
                    continue
                entry.blocked = entry.execution.blocked if entry.execution is not None else ""
                if not entry.blocked:
                    break
            blocked.append(entry)
        goals[:] = [goal for goal in goals if not any(goal is one for one in met)]
        return met

    def job_ended(self, node: str, sent: SentOrder) -> None:
        """A job of the supervisor has ended, one of a goal's plan or another."""
        for execution in {id(one): one for one in self._executions()}.values():
            execution.job_ended(node, sent)

    def _executions(self) -> list[PlanExecution]:
        return [self.execution, *(one.execution for one in self._entries if one.execution is not None)]

    def _behind(self, entry: _Entry, blocked: Sequence[_Entry]) -> str:
        """A goal that shares something with a blocked one waits for it, lest it undoes what comes before it."""
        before = next((one for one in blocked if not are_independent(one.goal, entry.goal)), None)
        return f"comes after goal {before.number}, which is blocked" if before is not None else ""

    def _stays_blocked(self, entry: _Entry) -> str:
        """While another goal is worked on, one that was blocked is tried again only if its reason has changed."""
        other = self.execution is not entry.execution and self.execution.is_at_work
        if not other or entry.execution is None or not isinstance(entry.goal, GoalState):
            return ""
        return entry.execution.blocked if entry.execution.is_blocked_as_before(entry.goal) else ""

    def _follow(self, entry: _Entry) -> bool:
        if not isinstance(entry.goal, GoalState):
            return self._step_by_step(entry.goal)
        if entry.execution is None:
            entry.execution, self._first = self._first or PlanExecution(self._site, self._orders), None
        met = entry.execution.follow(entry.goal)
        if not entry.execution.blocked:
            self.execution = entry.execution
        return met

    def _step_by_step(self, goal: Single | Together) -> bool:
        """Do what can be done now towards a goal that is not planned for as a whole; True if it is so already."""
        state = self._orders.look()
        left = [single for single in singles(goal) if not is_met(single, state)]
        for single in left:
            step = next_step(single, state)
            why = step.why if isinstance(step, Wait) else self._orders.start(step)
            if why:
                self._orders.waiting[single] = why
            else:
                state = self._orders.look()
        return not left

    def _of(self, goals: Sequence[Goal]) -> list[_Entry]:
        """The entries of the goals, by identity: two may be alike. New ones get a number."""
        found: list[_Entry] = []
        for goal in goals:
            entry = next((one for one in self._entries if one.goal is goal), None)
            if entry is None:
                self._given += 1
                entry = _Entry(self._given, goal)
            found.append(entry)
        self._entries = found
        return found
