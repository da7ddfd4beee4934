"""Goals one after the other: which is worked on, which waits and for what, and what goes on beside a blocked one."""

from __future__ import annotations

from reference_node.supervisor.plan.goal_list import GoalList
from reference_node.supervisor.plan.goal_state import GoalState, Visit
from reference_node.supervisor.plan.goals import Admit, Goal, Move, Run, Together
from tests.planning.paper import Paper, ended
from tests.planning.yards import SITE, north, south

BOXES = {"stack-n": ("A", "", "B", ""), "stack-s": ("C", "")}
BEHIND = "comes after goal 1, which is blocked"


class Desk:
    """A list of goals over a terminal on paper."""

    def __init__(self, *goals: Goal, been: dict[str, list[str]] | None = None) -> None:
        self.paper, self.goals = Paper(BOXES), list(goals)
        self.list = GoalList(SITE, self.paper.orders, been)
        self.met: list[Goal] = []

    def tick(self, times: int = 30) -> None:
        """So often a tenth of a second passes."""
        for _ in range(times):
            self.paper.waiting.clear()
            self.met += self.list.go_on(self.goals)
            self.paper.now_ms += 100

    def done(self, node: str) -> None:
        """A job ends as wished."""
        self.list.job_ended(node, self.paper.done(node))
        self.tick()

    @property
    def blocked(self) -> list[tuple[int, str]]:
        """Each goal's number and what it waits for."""
        return [(one.number, one.blocked) for one in self.list.listed(self.goals)]


def boxes(**wished: tuple[str, int]) -> GoalState:
    spots = {"north": north, "south": south}
    return GoalState({box: spots[shore](slot) for box, (shore, slot) in wished.items()})


def test_goals_are_met_one_after_the_other() -> None:
    first, second = boxes(A=("north", 3)), boxes(B=("north", 0))
    desk = Desk(first, second)
    desk.tick()
    assert (desk.paper.acts, desk.blocked) == ([("north", "transfer")], [(1, ""), (2, "")])
    desk.tick()
    assert len(desk.paper.acts) == 1
    desk.done("north")
    assert (desk.met, desk.goals) == ([first], [second])
    assert desk.blocked == [(2, "")]
    assert len(desk.paper.acts) == 2


def test_goals_have_numbers_that_are_never_given_again() -> None:
    one, two, three = boxes(A=("north", 3)), boxes(B=("north", 1)), boxes(B=("north", 1))
    desk = Desk(one, two, three)
    assert [(goal.number, goal.text) for goal in desk.list.listed(desk.goals)] == [
        (1, "box A to stack-n slot 3"), (2, "box B to stack-n slot 1"), (3, "box B to stack-n slot 1"),
    ]  # fmt: skip
    assert [desk.list.number_of(desk.goals, goal) for goal in (one, two, three)] == [1, 2, 3]
    assert desk.list.find(desk.goals, 2) is two
    assert desk.list.find(desk.goals, 3) is three
    assert desk.list.find(desk.goals, 4) is None
    desk.goals.remove(two)
    desk.goals.append(four := boxes(C=("south", 0)))
    assert [goal.number for goal in desk.list.listed(desk.goals)] == [1, 3, 4]
    assert desk.list.find(desk.goals, 2) is None
    assert desk.list.number_of(desk.goals, four) == 4


def test_of_goals_that_are_alike_each_is_met_by_itself() -> None:
    first, second = boxes(C=("south", 0)), boxes(C=("south", 0))
    desk = Desk(first, second)
    desk.tick(1)
    assert [goal is one for goal, one in zip(desk.met, (first, second), strict=True)] == [True, True]
    assert desk.goals == []
    same = boxes(X=("south", 1))
    later = boxes(C=("south", 0))
    desk = Desk(later, same)
    desk.tick(1)
    assert (desk.met, len(desk.goals)) == ([later], 1)
    assert desk.goals[0] is same


def test_one_that_is_blocked_lets_those_go_on_that_share_nothing_with_it() -> None:
    blocked, behind, other = boxes(X=("south", 0)), boxes(C=("south", 1)), boxes(A=("north", 3))
    desk = Desk(blocked, behind, other)
    desk.tick()
    assert desk.blocked == [(1, "nobody knows where box X is"), (2, BEHIND), (3, "")]
    assert desk.paper.acts == [("north", "transfer")]
    assert desk.list.execution.under_way
    desk.done("north")
    assert (desk.met, desk.goals) == ([other], [blocked, behind])
    assert desk.blocked == [(1, "nobody knows where box X is"), (2, BEHIND)]


def test_what_is_not_planned_for_as_a_whole_waits_behind_any_that_is_blocked() -> None:
    desk = Desk(boxes(X=("south", 0)), Run("ferry", "quay-s"))
    desk.tick()
    assert desk.blocked == [(1, "nobody knows where box X is"), (2, BEHIND)]
    assert desk.paper.started == []


def test_one_that_was_blocked_is_tried_again_once_its_reason_is_gone() -> None:
    blocked, other = boxes(X=("south", 1)), boxes(A=("north", 3))
    desk = Desk(blocked, other)
    desk.tick()
    [first, second] = [entry.execution for entry in desk.list._of(desk.goals)]
    assert first is not None
    assert second is desk.list.execution
    assert second.is_at_work
    desk.paper.put(north(1), "X")
    desk.tick(1)
    assert desk.list.execution is second, "for the first one the crane is at work by another's order"
    desk.done("north")
    assert (desk.blocked, desk.list.execution is first) == ([(1, ""), (2, "")], True)
    assert desk.met == []
    assert desk.paper.acts == [("north", "transfer"), ("north", "transfer")]


def test_while_another_is_worked_on_one_that_stays_blocked_is_left_alone() -> None:
    """Its reason is asked for, and it is not planned for again at every tick."""
    desk = Desk(boxes(A=("south", 1), X=("south", 0)), boxes(B=("north", 3)))
    desk.paper.slots["stack-n"] = ("", "", "B", "")
    desk.tick()
    why = "nobody knows where box A is; nobody knows where box X is"
    assert desk.blocked[0] == (1, why)
    [first, second] = [entry.execution for entry in desk.list._of(desk.goals)]
    assert first is not None
    assert second is not None
    searched = first.plans
    desk.paper.put(south(1), "D")
    desk.tick(5)
    assert (first.plans, desk.blocked[0]) == (searched, (1, why))


def test_each_wish_after_the_first_begins_without_the_trains_that_have_been() -> None:
    visit = Visit("T", "siding", ("", "", ""))
    first, second = GoalState(visits=(visit,)), GoalState(visits=(visit,))
    desk = Desk(first, second, been={"siding": ["T"]})
    assert desk.list.been(desk.goals, first) == {}
    desk.tick(1)
    assert desk.met == [first]
    desk.tick()
    assert desk.paper.acts == [("siding", "admit")]
    assert desk.list.been(desk.goals, second) == {"siding": []}
    desk.done("siding")
    assert desk.list.been(desk.goals, second) == {"siding": ["T"]}
    assert desk.list.been([second, third := boxes(A=("north", 3))], third) == {}


def test_an_outcome_is_told_to_each_wish_once() -> None:
    desk = Desk(boxes(X=("south", 0)), boxes(A=("north", 3)))
    desk.tick()
    told: list[int] = []
    executions = {id(one): one for one in desk.list._executions()}
    assert len(executions) == 2
    for key, execution in executions.items():
        execution.job_ended = lambda node, sent, key=key: told.append(key)  # type: ignore[method-assign,misc]
    desk.list.job_ended("north", ended("done", "transfer"))
    assert sorted(told) == sorted(executions)


# ---------------------------------------------------------------- step by step
def test_what_is_not_planned_for_is_brought_about_step_by_step() -> None:
    desk = Desk(Run("ferry", "quay-s"), Move("A", "stack-n", 3))
    desk.tick(1)
    assert (desk.paper.acts, desk.met) == ([("ferry", "run")], [])
    desk.done("ferry")
    assert desk.met == [Run("ferry", "quay-s")]
    assert desk.paper.acts == [("ferry", "run"), ("north", "transfer")]
    desk.done("north")
    assert (desk.goals, desk.paper.waiting) == ([], {})


def test_side_by_side_each_is_started_or_waits_with_its_reason() -> None:
    run, move, admit = Run("ferry", "quay-s"), Move("X", "stack-n", 1), Admit("siding")
    desk = Desk(Together((run, move, admit, Move("C", "stack-s", 0))))
    desk.paper.refuses = {"siding": "siding is held"}
    desk.tick(1)
    assert desk.paper.acts == [("ferry", "run")]
    assert desk.paper.waiting == {move: "nobody knows where box X is", admit: "siding is held"}
    assert desk.blocked == [(1, "")]


def test_a_step_sees_what_the_one_before_it_has_started() -> None:
    """The shuttle that was told to run is not where a crane finds its deck."""
    move = Move("C", "ferry", 0)
    desk = Desk(Together((Run("ferry", "quay-s"), move)))
    looked = desk.paper.start

    def start(step: object) -> str:
        why = looked(step)  # type: ignore[arg-type]
        desk.paper.words["ferry"] = {"state": "moving", "place": ""}
        return why

    desk.paper.start = start  # type: ignore[method-assign]
    desk.list = GoalList(SITE, desk.paper.orders, None)
    desk.tick(1)
    assert desk.paper.acts == [("ferry", "run")]
    assert desk.paper.waiting == {move: "ferry has to stand at a place"}
