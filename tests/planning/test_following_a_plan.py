"""A plan is made in portions, followed, made again where the yard stands otherwise, and given up with its reason."""

from __future__ import annotations

from typing import Any

import pytest

from reference_node.supervisor.plan import execution as module
from reference_node.supervisor.plan.execution import PlanExecution
from reference_node.supervisor.plan.goal_state import GoalState, Visit
from reference_node.supervisor.plan.next_step import Step
from reference_node.supervisor.plan.search.best_plan import Search
from reference_node.supervisor.plan.search.problem import Problem, Task
from tests.planning import times
from tests.planning.paper import Paper, ended
from tests.planning.test_moves_of_the_yard import FERRY
from tests.planning.yards import SITE, north, south

OVER = GoalState({"A": south(0)})
NO_TRAIN = ("", "", "")
TRAIN = GoalState(visits=(Visit("T", "siding", NO_TRAIN),))
AT_NORTH = {"stack-n": ("A", "", "", "")}


def following(slots: Any = None, **words: Any) -> tuple[Paper, PlanExecution]:
    paper = Paper(slots, **words)
    return paper, PlanExecution(SITE, paper.orders)


def follow(paper: Paper, execution: PlanExecution, goal: GoalState) -> bool:
    """As at a tick: what waited is written anew."""
    paper.waiting.clear()
    return execution.follow(goal)


def planned(paper: Paper, execution: PlanExecution, goal: GoalState) -> None:
    """Tick until the plan is made."""
    for _ in range(200):
        follow(paper, execution, goal)
        if execution._search is None and not paper.waiting.get("plan"):
            return
        if execution._search is None:
            return
        paper.now_ms += 100
    raise AssertionError("no plan")


def finish(paper: Paper, execution: PlanExecution, goal: GoalState, node: str) -> bool:
    """The job of a node ends as wished, and the next tick comes."""
    execution.job_ended(node, paper.done(node))
    return follow(paper, execution, goal)


class Watched(Search):
    """Keeps what it was made and run with."""

    made: list[Watched]

    def __init__(self, problem: Problem, looks: int) -> None:
        super().__init__(problem, looks)
        self.limit, self.portions = looks, list[int]()
        Watched.made.append(self)

    def run(self, portion: int) -> bool:
        self.portions.append(portion)
        return super().run(2)


@pytest.fixture
def searches(monkeypatch: pytest.MonkeyPatch) -> list[Watched]:
    """Every search that an execution begins, each a few states a portion."""
    Watched.made = []
    monkeypatch.setattr(module, "Search", Watched)
    return Watched.made


# ---------------------------------------------------------------- planning
def test_a_plan_is_made_in_portions_with_time_for_messages_in_between(searches: list[Watched]) -> None:
    paper, execution = following(AT_NORTH)
    for now_ms, portions in ((0, 1), (0, 1), (99, 1), (100, 2), (199, 2), (200, 3)):
        paper.now_ms = now_ms
        assert not follow(paper, execution, OVER)
        [search] = searches
        assert len(search.portions) == portions
        assert paper.waiting == {"plan": "still planning"}
        assert (execution.plan, execution.plans, paper.started) == (None, 0, [])
        assert execution.is_at_work
    assert (search.limit, set(search.portions)) == (module.MOST_STATES, {module.PORTION})
    planned(paper, execution, OVER)
    assert execution.plans == 1
    assert "plan" not in paper.waiting
    assert execution.plan is not None
    assert paper.notes == [f"planned: {execution.plan}"]


def test_an_earlier_search_does_not_hold_up_the_next_for_long(searches: list[Watched]) -> None:
    paper, execution = following(AT_NORTH)
    follow(paper, execution, OVER)
    paper.put(north(2), "B")
    paper.now_ms = 50
    follow(paper, execution, OVER)
    assert [len(search.portions) for search in searches] == [1, 0]
    assert paper.notes == [], "there was no plan yet to differ from"
    paper.now_ms = 100
    follow(paper, execution, OVER)
    assert [len(search.portions) for search in searches] == [1, 1]


def test_the_plan_is_followed_to_its_end() -> None:
    paper, execution = following(AT_NORTH)
    assert not execution.is_at_work
    planned(paper, execution, OVER)
    lift, run = Task("north", "transfer", "A", north(0), FERRY), Task("ferry", "run", stop="quay-s")
    last = Task("south", "transfer", "A", FERRY, south(0))
    assert execution.plan is not None
    assert [timed.task for timed in execution.plan.tasks] == [lift, run, last]
    assert paper.acts == [("north", "transfer")]
    assert (execution.under_way, execution.todo, execution.is_at_work) == ({"north": lift}, [run, last], True)
    assert not follow(paper, execution, OVER), "the shuttle waits for the crane beside it"
    assert not finish(paper, execution, OVER, "north")
    assert (execution.under_way, execution.todo, execution.is_at_work) == ({"ferry": run}, [last], True)
    assert paper.started[-1] == Step("ferry", "run", {"to": "quay-s"})
    assert not finish(paper, execution, OVER, "ferry")
    assert (execution.under_way, execution.todo, execution.is_at_work) == ({"south": last}, [], True)
    assert finish(paper, execution, OVER, "south")
    assert (execution.is_at_work, execution.blocked, execution.lacking) == (False, "", "")
    assert execution.plans == 1
    assert len(paper.notes) == 1


def test_what_is_so_already_needs_no_job_and_is_met_once_all_have_spoken() -> None:
    paper, execution = following({"stack-s": ("A", "")})
    assert follow(paper, execution, OVER)
    assert (paper.started, paper.notes, execution.plans) == ([], [], 1)
    paper.silent = ("north",)
    assert not follow(paper, execution, OVER)
    paper.silent, paper.jobs = (), {"north": "park"}
    assert not follow(paper, execution, OVER)
    paper.jobs = {}
    assert follow(paper, execution, OVER)
    assert execution.plans == 1


def test_before_all_have_spoken_nothing_is_planned() -> None:
    paper, execution = following(AT_NORTH)
    paper.silent = ("ferry", "siding")
    assert not follow(paper, execution, OVER)
    assert paper.waiting == {"plan": "no word yet from ferry, siding"}
    assert (execution.is_at_work, execution.blocked) == (False, "")


def test_machines_that_do_not_meet_work_beside_each_other() -> None:
    """The north crane and the siding do; the shuttle waits for the crane, and the south crane for all."""
    goal = GoalState(visits=(Visit("T", "siding", NO_TRAIN, {0: "A"}),))
    paper, execution = following(AT_NORTH)
    planned(paper, execution, goal)
    assert sorted(paper.acts) == [("north", "transfer"), ("siding", "admit")]
    assert set(execution.under_way) == {"north", "siding"}
    finish(paper, execution, goal, "north")
    assert paper.acts[2:] == [("ferry", "run")]
    finish(paper, execution, goal, "ferry")
    assert len(paper.acts) == 3, "the train is still to come"
    finish(paper, execution, goal, "siding")
    assert paper.acts[3:] == [("south", "transfer")]
    finish(paper, execution, goal, "south")
    assert paper.acts[4:] == [("siding", "depart")]
    assert execution.been == {"siding": ["T"]}
    assert finish(paper, execution, goal, "siding")
    assert execution.been == {"siding": ["T"]}
    assert execution.plans == 1


def test_what_stands_against_an_order_is_told_and_holds_up_what_comes_behind_it() -> None:
    paper, execution = following(AT_NORTH)
    paper.refuses = {"north": "north is held"}
    planned(paper, execution, OVER)
    lift = Task("north", "transfer", "A", north(0), FERRY)
    assert (paper.waiting, paper.started, execution.under_way) == ({lift: "north is held"}, [], {})
    assert len(execution.todo) == 3
    assert execution.is_at_work
    assert execution.blocked == ""
    paper.refuses = {}
    follow(paper, execution, OVER)
    assert (paper.waiting, paper.acts) == ({}, [("north", "transfer")])


def test_where_the_yard_stands_otherwise_it_is_planned_for_again(searches: list[Watched]) -> None:
    paper, execution = following(AT_NORTH)
    planned(paper, execution, OVER)
    paper.put(north(2), "B")
    began, paper.now_ms = paper.now_ms, paper.now_ms + 1_000
    assert not follow(paper, execution, OVER)
    assert paper.notes[1:] == ["state differs from plan; replanning"]
    assert (execution.plan, execution.todo) == (None, [])
    lasts = times.transfer("north", None, north(0), FERRY)
    problem = searches[-1].yard.problem
    assert problem.busy_ms == {"north": lasts - 1_000}
    assert (problem.now_ms, problem.at, problem.boxes) == (began + 1_000, {}, {"A": FERRY, "B": north(2)})
    paper.put(north(3), "C")
    paper.now_ms = began + lasts + 500
    follow(paper, execution, OVER)
    assert searches[-1].yard.problem.busy_ms == {"north": 0}
    assert len(paper.notes) == 2, "nothing was planned yet"
    planned(paper, execution, OVER)
    assert execution.plans == 2
    finish(paper, execution, OVER, "north")
    paper.put(north(0), "D")
    follow(paper, execution, OVER)
    assert searches[-1].yard.problem.at == {"north": FERRY}


# ---------------------------------------------------------------- trains
@pytest.mark.parametrize(("now_ms", "starts"), [(49_999, False), (50_000, True)])
def test_a_train_is_not_let_in_before_its_time(now_ms: int, starts: bool) -> None:
    goal = GoalState(visits=(Visit("T", "siding", NO_TRAIN, not_before_ms=50_000),))
    paper, execution = following()
    planned(paper, execution, goal)
    admit = Task("siding", "admit", train="T")
    paper.now_ms = now_ms
    follow(paper, execution, goal)
    assert paper.waiting == ({} if starts else {admit: "train T comes later"})
    assert paper.started == ([Step("siding", "admit", {"train": "T"}, brings=NO_TRAIN)] if starts else [])


def test_a_train_that_does_not_come_to_rest_is_let_in_again_and_given_up_at_last() -> None:
    goal = GoalState(visits=(Visit("T", "siding", ("B", "", "")),))
    paper, execution = following()
    for turn, state in enumerate(("failed", "unknown", "failed")):
        planned(paper, execution, goal)
        assert len(paper.started) == turn + 1
        assert paper.started[-1].brings == (() if turn else ("B", "", "")), (
            "nobody knows what still stands on it"
        )
        assert execution.lacking == ""
        assert not any("given up" in note for note in paper.notes)
        execution.job_ended("siding", paper.went_wrong("siding", state))
        assert execution.under_way == {}
    assert paper.notes[-1] == "train T has not come to rest at siding 3 times; given up"
    planned(paper, execution, goal)
    assert len(paper.started) == 3
    assert execution.lacking == execution.blocked == "train T does not come to rest at siding"
    assert paper.waiting["goal"] == execution.lacking
    assert execution.is_blocked_as_before(goal)
    execution.job_ended("siding", ended("failed", "admit"))
    assert sum("given up" in note for note in paper.notes) == 1
    again = GoalState(visits=goal.visits)
    planned(paper, execution, again)
    assert execution.lacking == ""
    assert len(paper.started) == 4, "another wish tries anew"


@pytest.mark.parametrize("state", ["refused", "cancelled"])
def test_a_train_that_was_not_let_in_was_no_try(state: str) -> None:
    paper, execution = following()
    for _ in range(4):
        planned(paper, execution, TRAIN)
        execution.job_ended("siding", paper.went_wrong("siding", state))
        execution._problem = None
    planned(paper, execution, TRAIN)
    assert (execution.lacking, len(paper.started)) == ("", 5)
    assert paper.started[-1].brings == NO_TRAIN


def test_a_train_that_did_not_leave_for_sure_is_taken_to_be_gone() -> None:
    paper, execution = following()
    planned(paper, execution, TRAIN)
    finish(paper, execution, TRAIN, "siding")
    assert paper.acts == [("siding", "admit"), ("siding", "depart")]
    execution.job_ended("siding", paper.went_wrong("siding", "unknown"))
    paper.words["siding"] = {"state": "lost"}
    follow(paper, execution, TRAIN)
    assert execution.been == {"siding": ["T"]}


def test_a_train_leaves_by_its_newest_word_alone() -> None:
    paper, execution = following()
    planned(paper, execution, TRAIN)
    execution.job_ended("siding", paper.done("siding"))
    depart = Task("siding", "depart", train="T")
    paper.silent = ("siding",)
    follow(paper, execution, TRAIN)
    assert (paper.waiting[depart], len(paper.started)) == ("no train at rest", 1)
    paper.silent = ()
    follow(paper, execution, TRAIN)
    assert paper.started[1:] == [Step("siding", "depart")]


def test_trains_that_have_been_by_a_person_s_word() -> None:
    paper = Paper()
    execution = PlanExecution(SITE, paper.orders, {"siding": ["T"]})
    assert execution.been == {"siding": ["T"]}
    assert follow(paper, execution, TRAIN)
    assert paper.started == []
    assert not follow(paper, execution, GoalState(visits=TRAIN.visits)), "that is another wish's train"
    assert execution.been == {"siding": []}


# ---------------------------------------------------------------- what cannot be
@pytest.mark.parametrize(
    ("state", "reason", "never"),
    [
        *(("refused", reason, True) for reason in ("place", "reach", "outside-table", "unsupported")),
        ("refused", "busy", False), ("failed", "reach", False), ("cancelled", "", False),
    ],
)  # fmt: skip
def test_what_was_refused_for_good_is_planned_around(state: str, reason: str, never: bool) -> None:
    paper, execution = following(AT_NORTH)
    planned(paper, execution, OVER)
    lift = execution.under_way["north"]
    execution.job_ended("north", paper.went_wrong("north", state, reason))
    follow(paper, execution, OVER)
    assert execution._problem is not None
    assert execution._problem.never == ({lift} if never else frozenset())


def test_a_run_or_a_train_is_never_refused_for_good() -> None:
    goal = GoalState(shuttles={"ferry": "quay-s"})
    paper, execution = following()
    planned(paper, execution, goal)
    execution.job_ended("ferry", paper.went_wrong("ferry", "refused", "unsupported"))
    follow(paper, execution, goal)
    assert execution._problem is not None
    assert execution._problem.never == frozenset()


def test_where_there_is_no_plan_the_reason_is_told() -> None:
    goal, wish = GoalState({"A": north(0)}), GoalState({"A": south(1)})
    paper, execution = following(AT_NORTH)
    assert follow(paper, execution, goal)
    planned(paper, execution, wish)
    why = "slot 1 of stack-s is in mid-air: nothing else stands in slot 0 below it"
    assert paper.notes == [f"no plan: {why}"]
    assert (execution.blocked, execution.lacking, execution.is_at_work) == (why, "", False)
    assert paper.waiting == {"plan": why}
    assert execution.plans == 2
    assert execution.is_blocked_as_before(wish)
    both = GoalState({"A": south(1), "X": south(0)})
    planned(paper, execution, both)
    assert execution.blocked == f"{why}; nobody knows where box X is"
    assert execution.is_blocked_as_before(both)
    assert not execution.is_blocked_as_before(wish)
    paper.put(south(0), "B")
    planned(paper, execution, wish)
    assert (execution.blocked, len(paper.started)) == ("", 1)
    assert not execution.is_blocked_as_before(wish)


def test_what_cannot_be_planned_for_does_not_hold_up_the_rest() -> None:
    goal = GoalState({"A": north(2), "X": south(0)})
    paper, execution = following(AT_NORTH)
    planned(paper, execution, goal)
    assert execution.lacking == "nobody knows where box X is"
    assert (execution.blocked, paper.acts) == ("", [("north", "transfer")])
    assert not finish(paper, execution, goal, "north")
    assert execution.blocked == execution.lacking
    paper.silent = ("ferry",)
    execution._problem = None
    assert not follow(paper, execution, goal)
    assert execution.blocked == execution.lacking, "while nobody speaks nothing is known to have changed"


# ---------------------------------------------------------------- one task
def test_what_a_task_needs_first_is_waited_for() -> None:
    paper, execution = following(AT_NORTH)
    planned(paper, execution, OVER)
    paper.words["ferry"] = {"place": "quay-s"}
    task = Task("north", "transfer", "A", north(0), FERRY)
    assert execution._begin(task, paper.look()) == "waits for ferry to run"
    assert len(paper.started) == 1
    paper.words["ferry"] = {"state": "moving", "place": ""}
    assert execution._begin(task, paper.look()) == "ferry has to stand at a place"


def test_a_job_that_is_not_the_plan_s_changes_nothing() -> None:
    paper, execution = following(AT_NORTH)
    planned(paper, execution, OVER)
    before = dict(execution.under_way)
    execution.job_ended("south", ended("failed", "park"))
    assert (execution.under_way, execution._tries) == (before, {})
    unnamed = GoalState(visits=(Visit("", "siding", NO_TRAIN),))
    paper, execution = following()
    planned(paper, execution, unnamed)
    assert paper.started == [Step("siding", "admit", {}, brings=NO_TRAIN)]
