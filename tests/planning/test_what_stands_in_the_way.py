"""Why no plan was found, in words, and which goals have nothing in common."""

from __future__ import annotations

from typing import Any

import pytest

from reference_node.supervisor.plan.goal_state import GoalState, Visit
from reference_node.supervisor.plan.goals import Admit, Depart, Move, Run, Together, are_independent, singles
from reference_node.supervisor.plan.search.hindrance import why_no_plan
from reference_node.supervisor.plan.search.problem import Problem
from tests.planning.test_moves_of_the_yard import FERRY, problem, siding, stands, visit
from tests.planning.yards import north, south

FULL = {"A": north(0), "B": north(1), "C": north(2), "D": north(3), "E": FERRY, "F": south(0), "G": south(1)}


@pytest.mark.parametrize(
    ("of", "said"),
    [
        (
            problem({"A": north(0)}, wished={"A": north(2)}, unsure=frozenset({north(3)})),
            "nobody knows what stands in slot 3 of stack-n",
        ),
        (problem({"A": north(0)}, wished={"A": north(2)}, unsure=frozenset({north(1)})), ""),
        (
            problem(FULL, wished={"A": north(2)}),
            (
                "slot 2 of stack-n is occupied by C, which has nowhere to go; "
                "slot 3 of stack-n is occupied by D, which has nowhere to go"
            ),
        ),
        (
            problem(FULL, wished={"D": north(2)}),
            "slot 2 of stack-n is occupied by C, which has nowhere to go",
        ),
        (problem({k: v for k, v in FULL.items() if k != "E"}, wished={"A": north(2)}), ""),
        (problem(FULL, wished={"A": north(0)}), ""),
        (
            problem(FULL, wished={"A": north(0), "D": north(2)}),
            "slot 2 of stack-n is occupied by C, which has nowhere to go",
        ),
        (
            problem({k: v for k, v in FULL.items() if k != "G"}, wished={"D": north(2)}),
            "slot 2 of stack-n is occupied by C, which has nowhere to go",
        ),
        (
            problem({"A": north(0)}, wished={"A": north(3)}),
            "slot 3 of stack-n is in mid-air: nothing else stands in slot 2 below it",
        ),
        (
            problem({"A": north(2)}, wished={"A": north(3)}),
            "slot 3 of stack-n is in mid-air: nothing else stands in slot 2 below it",
        ),
        (problem({"A": north(0), "B": north(2)}, wished={"A": north(3)}), ""),
        (problem({"A": south(0)}, wished={"A": siding(0)}), "no train stands on siding"),
        (stands({"A": south(0)}, wished={"A": siding(0)}), ""),
        (problem({"A": siding(0)}, wished={"A": siding(0)}), ""),
    ],
)
def test_what_stands_in_the_way_is_named(of: Problem, said: str) -> None:
    for exhausted, none in (
        (True, "there is no order of jobs"),
        (False, "nobody has found an order of jobs"),
    ):
        assert why_no_plan(of, exhausted=exhausted) == (said or f"{none} that meets all that is wished")


# ---------------------------------------------------------------- goals side by side
@pytest.mark.parametrize(
    ("one", "other", "apart"),
    [
        (GoalState({"A": north(0)}), GoalState({"B": south(0)}), True),
        (GoalState({"A": north(0)}), GoalState({"A": south(0)}), False),
        (GoalState({"A": north(0)}), GoalState({"B": north(2)}), False),
        (GoalState(visits=(visit(),)), GoalState(visits=(visit("U"),)), False),
        (GoalState(visits=(visit(takes={0: "A"}),)), GoalState({"A": north(0)}), False),
        (GoalState(visits=(visit(brings=("", "A")),)), GoalState({"A": north(0)}), False),
        (
            GoalState(visits=(visit(brings=("", "")),)),
            GoalState(visits=(Visit("T", "branch", ("", "")),)),
            True,
        ),
        (GoalState(shuttles={"ferry": "quay-n"}), GoalState(shuttles={"ferry": "quay-s"}), False),
        (GoalState(shuttles={"ferry": "quay-n"}), GoalState({"A": north(0)}), True),
        (GoalState({"A": north(0)}), Move("B", "stack-s", 0), False),
        (Depart("siding"), GoalState({"A": north(0)}), False),
    ],
)
def test_goals_that_share_nothing_may_be_worked_on_side_by_side(one: Any, other: Any, apart: bool) -> None:
    assert are_independent(one, other) is apart
    assert are_independent(other, one) is apart


def test_goals_in_words_and_one_by_one() -> None:
    every = (
        Move("A", "stack-n", 2),
        Admit("siding"),
        Admit("siding", "T"),
        Depart("siding"),
        Run("ferry", "quay-n"),
    )
    said = [
        "box A to stack-n slot 2",
        "train any in at siding",
        "train T in at siding",
        "train out of siding",
        "shuttle ferry to quay-n",
    ]
    assert [str(one) for one in every] == said
    together = Together(every)
    assert (str(together), singles(together), singles(every[0])) == (" and ".join(said), every, (every[0],))


@pytest.mark.parametrize(
    ("wished", "visits", "why"),
    [
        ({"A": north(0)}, (visit(takes={0: "A"}),), "wanted at two places: A"),
        ({}, (visit(takes={0: "A"}), visit("U", takes={1: "A"})), "wanted at two places: A"),
        ({"A": north(0), "B": north(0)}, (), "two boxes are wanted in one slot"),
        ({}, (visit(), visit()), "two trains of one berth have one name"),
        ({"B": north(0)}, (visit(takes={0: "C", 1: "A"}), visit("U", takes={1: "A", 0: "B"})),
         "wanted at two places: A, B"),
        ({"A": north(0)}, (visit(takes={0: "B"}), Visit("T", "branch")), ""),
    ],
)  # fmt: skip
def test_what_cannot_be_wished_for(wished: Any, visits: tuple[Visit, ...], why: str) -> None:
    if not why:
        GoalState(wished, visits)
        return
    with pytest.raises(ValueError, match=f"^{why}$"):
        GoalState(wished, visits)


def test_a_wish_in_words() -> None:
    every = GoalState({"A": north(2)}, (visit(),), {"ferry": "quay-n"})
    assert str(every) == "box A to stack-n slot 2, train T at siding, shuttle ferry to quay-n"
    assert str(GoalState()) == "nothing"
    assert (visit().departs, visit().not_before_ms, visit().brings) == (True, 0, ())
