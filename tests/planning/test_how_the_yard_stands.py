"""The yard as a problem for the planner: what is known, what was expected, which trains have been, what cannot be."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from reference_node.supervisor.observe.boxes import Spot
from reference_node.supervisor.plan.goal_state import GoalState, Visit
from reference_node.supervisor.plan.problem_builder import ProblemBuilder, all_have_reported
from reference_node.supervisor.plan.search.durations import Durations
from reference_node.supervisor.plan.search.problem import Problem, Task, spreader
from tests.planning.pictures import picture
from tests.planning.test_moves_of_the_yard import FERRY, siding, visit
from tests.planning.yards import SITE, north, south

AT_REST = {"siding": {"state": "at-rest", "train": "T"}}
LOST = {"siding": {"state": "lost"}}
WISH = GoalState(visits=(visit("T"), visit("U")))
ADMIT, DEPART = Task("siding", "admit", train="T"), Task("siding", "depart", train="T")
REFUSED = Task("south", "transfer", "A", south(0), siding(0))


def builder(*been: str) -> ProblemBuilder:
    return ProblemBuilder(SITE, {"siding": been} if been else {})


def now(of: ProblemBuilder, state: Any, expected: Problem | None = None, **under_way: Task) -> Problem:
    found = of.now(state, WISH, expected, under_way)
    assert isinstance(found, Problem), found
    return found


# ---------------------------------------------------------------- the problem
def test_what_the_nodes_say_is_how_the_yard_stands() -> None:
    slots = {"stack-n": ("A", "?", "", ""), "siding": ("?", "B", "")}
    of = now(builder("S"), picture(slots, spreaders={"north": "H", "south": "?"}))
    assert of.boxes == {"A": north(0), "B": siding(1), "H": spreader("north")}
    assert of.unsure == {north(1)}, "a track without a train has none"
    assert (of.stops, of.let_in, of.at_rest) == ({"ferry": "quay-n"}, {"siding": 1}, frozenset())
    there = now(builder(), picture(slots, words=AT_REST))
    assert (there.unsure, there.let_in, there.at_rest) == (
        frozenset({north(1), siding(0)}),
        {"siding": 0},
        frozenset({"siding"}),
    )
    assert (there.site, there.goal_state, there.never) == (SITE, WISH, frozenset())


def test_a_job_by_hand_is_waited_for_and_one_that_moves_nothing_is_not() -> None:
    waits = "waits for the end of an order by hand: north transfer"
    assert builder().now(picture(jobs={"north": "transfer"}), WISH, None, {}) == waits
    task = Task("north", "transfer", "A", north(0), north(2))
    assert isinstance(
        builder().now(picture(jobs={"north": "transfer"}), WISH, None, {"north": task}), Problem
    )
    for act in ("home", "park", "jog"):
        assert isinstance(builder().now(picture(jobs={"north": act}), WISH, None, {}), Problem)


def test_who_has_said_nothing_is_as_was_expected_or_not_known() -> None:
    silent = picture(silent=("ferry", "siding"))
    assert builder().now(silent, WISH, None, {}) == "no word yet from ferry, siding"
    expected = Problem(SITE, WISH, {}, stops={"ferry": "quay-s"}, at_rest=frozenset({"siding"}))
    of = now(builder(), silent, expected)
    assert (of.stops, of.at_rest) == ({"ferry": "quay-s"}, frozenset({"siding"}))
    of = now(builder(), picture(), expected)
    assert (of.stops, of.at_rest) == ({"ferry": "quay-n"}, frozenset())
    of = now(builder(), silent, expected, ferry=Task("ferry", "run", stop="quay-n"))
    assert of.stops == {"ferry": ""}
    assert now(builder(), silent, Problem(SITE, WISH, {})).stops == {"ferry": ""}


def test_a_train_that_is_told_to_leave_stands_there_still_and_one_that_comes_does_not() -> None:
    assert now(builder(), picture(), siding=DEPART).at_rest == {"siding"}
    assert now(builder(), picture(words=AT_REST), siding=ADMIT).at_rest == frozenset()


def test_times_and_the_last_place_of_each_crane_are_added() -> None:
    of = builder()
    of.done(Task("north", "transfer", "A", north(0), FERRY))
    of.done(Task("ferry", "run", stop="quay-s"))
    durations = Durations()
    timed = of.timed(now(of, picture()), 70, {"north": 5}, durations)
    assert (timed.at, timed.busy_ms, timed.now_ms, timed.durations) == (
        {"north": FERRY},
        {"north": 5},
        70,
        durations,
    )


def test_all_have_reported_where_each_is_idle_and_has_spoken() -> None:
    assert all_have_reported(picture())
    assert not all_have_reported(picture(silent=("ferry",)))
    assert not all_have_reported(picture(jobs={"ferry": "run"}))


# ---------------------------------------------------------------- trains that have been
def test_a_train_has_been_once_it_was_let_in_or_stands_there_by_name() -> None:
    of = builder()
    of.done(ADMIT)
    assert of.been == {"siding": ["T"]}
    for words, job, under_way, goal, been in (
        (AT_REST, "", (), WISH, ["T"]), (AT_REST, "depart", (), WISH, []), (AT_REST, "", ("siding",), WISH, []),
        ({"siding": {"state": "at-rest", "train": "X"}}, "", (), WISH, []),
        ({"siding": {"train": "T"}}, "", (), WISH, []),
        (AT_REST, "", (), GoalState(), []),
    ):  # fmt: skip
        of = builder()
        state = picture(words=words, jobs={"siding": job} if job else {})
        of.look_at_trains(state, goal, under_way)
        of.look_at_trains(state, goal, under_way)
        assert of.been == {"siding": been}
    of.look_at_trains(picture(silent=("siding",)), WISH, ())
    assert of.been == {"siding": []}


def test_a_train_that_is_lost_comes_again_and_brings_nobody_knows_what() -> None:
    brings = GoalState(visits=(visit("T", brings=("A", "", "")),))
    of = builder()
    of.done(ADMIT)
    of.look_at_trains(picture(words=LOST), brings, ())
    assert of.been == {"siding": []}
    [again] = of.possible(picture(), brings, ())[0].visits
    assert again.brings == ()
    of.look_at_trains(picture(words=LOST), brings, ())
    assert of.been == {"siding": []}, "once"
    gone = builder()
    gone.done(ADMIT)
    gone.done(DEPART)
    gone.look_at_trains(picture(words=LOST), brings, ())
    assert gone.been == {"siding": ["T"]}, "it had left"
    for wrong, been in ((ADMIT, False), (DEPART, True)):
        of = builder()
        if been:
            of.done(ADMIT)
        of.went_wrong(wrong)
        of.look_at_trains(picture(words=LOST), brings, ())
        assert of.been == {"siding": ["T"] if been else []}
        if not been:
            assert of.possible(picture(), brings, ())[0].visits[0].brings == ()


def test_another_goal_state_begins_with_none_of_its_trains() -> None:
    for first, been in ((True, ["T"]), (False, [])):
        of = builder("T")
        of.never_again(REFUSED)
        of.begin(first=first)
        assert of.been == {"siding": been}
        assert now(of, picture()).never == frozenset()


@pytest.mark.parametrize(
    ("task", "kept"),
    [(ADMIT, False), (DEPART, False), (Task("north", "transfer", "B", north(0), north(2)), True)],
)
def test_what_was_refused_at_a_train_is_tried_with_another(task: Task, kept: bool) -> None:
    elsewhere = Task("north", "transfer", "C", north(0), FERRY)
    off = Task("south", "transfer", "D", siding(1), south(0))
    of = builder()
    for one in (REFUSED, elsewhere, off):
        of.never_again(one)
    of.done(task)
    assert now(of, picture()).never == ({REFUSED, elsewhere, off} if kept else {elsewhere})


# ---------------------------------------------------------------- what can be planned for
def possible(
    goal: GoalState, state: Any = None, of: ProblemBuilder | None = None, hopeless: Any = ()
) -> tuple[GoalState, str]:
    return (of or builder()).possible(state or picture(), goal, hopeless)


@pytest.mark.parametrize(
    ("slots", "words", "held", "why"),
    [
        ({"stack-n": ("A", "", "", "")}, {}, "", ""),
        ({}, {}, "", "nobody knows where box A is"),
        ({}, {}, "A", ""),
        ({"stack-n": ("A", "", "", "")}, {"ferry": {"state": "lost"}}, "", "nobody knows where ferry stands"),
        ({"stack-s": ("A", "")}, {"ferry": {"state": "lost"}}, "", ""),
        ({"ferry": ("A",)}, {"ferry": {"state": "lost"}}, "", "nobody knows where ferry stands"),
        ({"siding": ("A", "", "")}, {}, "", ""),
    ],
)
def test_a_box_can_be_brought_where_a_way_is_known(slots: Any, words: Any, held: str, why: str) -> None:
    goal = GoalState({"A": south(0)})
    state = picture(slots, words=words, spreaders={"north": held})
    assert possible(goal, state) == (goal if not why else GoalState(), why)


def test_a_train_waits_for_what_cannot_be_had() -> None:
    takes = visit("T", takes={0: "A", 1: "B"})
    goal = GoalState(visits=(takes, visit("U")))
    found, why = possible(goal, picture({"stack-s": ("B", "")}))
    assert found.visits == (Visit("T", "siding", (), {1: "B"}, departs=False),)
    assert why == "nobody knows where box A is"
    both = picture({"stack-s": ("B", "A")})
    assert possible(goal, both) == (goal, "")


def test_a_box_that_a_train_brings_can_be_had_from_it() -> None:
    goal = GoalState({"A": south(0)}, (visit("T", brings=("A", "", "?")),))
    assert possible(goal) == (goal, "")
    been = builder("T")
    assert possible(goal, of=been)[1] == "nobody knows where box A is", "it has come and gone"
    later = GoalState(visits=(visit("T", brings=("A", "", "")), visit("U", takes={0: "A"})))
    assert possible(later) == (later, "")


def test_a_train_keeps_waiting_for_a_box_that_cannot_be_taken_off_it() -> None:
    goal = GoalState({"A": north(0)}, (visit("T", brings=("A", "", "")), visit("U")))
    lost = picture(words={"ferry": {"state": "lost"}})
    found, why = possible(goal, lost)
    assert found.visits == (Visit("T", "siding", ("A", "", ""), {}, departs=False),)
    assert (found.boxes, why) == ({}, "nobody knows where ferry stands")
    assert possible(goal) == (goal, "")
    near = GoalState({"A": south(0)}, goal.visits)
    assert possible(near, lost) == (near, "")


def test_trains_that_have_been_take_nothing_more_and_the_one_there_may_leave() -> None:
    goal = GoalState(visits=(visit("T", takes={0: "A"}), visit("U", takes={1: "B"})))
    boxes = picture({"stack-s": ("B", "")}, words=AT_REST)
    of = builder()
    of.done(ADMIT)
    of.done(DEPART)
    found, why = possible(goal, boxes, of)
    assert (found.visits, why) == ((visit("T"), visit("U", takes={1: "B"})), "")
    of = builder()
    of.done(ADMIT)
    found, why = possible(goal, boxes, of)
    assert found.visits == (Visit("T", "siding", (), {}, departs=False),)
    assert why == "nobody knows where box A is"


def test_of_a_berth_that_is_lost_or_hopeless_no_train_is_planned_for() -> None:
    found, why = possible(WISH, picture(words=LOST))
    assert (found.visits, why) == ((), "nobody knows what stands on siding")
    found, why = possible(WISH, hopeless={("siding", "T")})
    assert (found.visits, why) == ((visit("U"),), "train T does not come to rest at siding")
    stays = GoalState(visits=(visit("T", departs=False), visit("U")))
    of = builder()
    of.done(ADMIT)
    assert possible(stays, picture(words=AT_REST), of)[0].visits == (visit("T", departs=False),)


def test_a_reason_is_told_once_and_what_shuttles_wish_stays() -> None:
    goal = GoalState(
        {"A": south(0)}, (visit("T", takes={0: "B"}), visit("U", takes={1: "C"})), {"ferry": "quay-s"}
    )
    found, why = possible(goal)
    assert found.shuttles == {"ferry": "quay-s"}
    assert why == "nobody knows where box B is; nobody knows where box A is"


def test_of_several_trains_that_have_been_the_last_stands_there() -> None:
    """Those before it take nothing more; what it takes is still to be set on it."""
    goal = GoalState(visits=(visit("T", takes={0: "A"}), visit("U", takes={1: "B"}), visit("V")))
    of = builder()
    of.done(ADMIT)
    of.done(DEPART)
    of.done(Task("siding", "admit", train="U"))
    found, why = possible(
        goal, picture({"stack-s": ("B", "")}, words={"siding": {"state": "at-rest", "train": "U"}}), of
    )
    assert (found.visits, why) == ((visit("T"), visit("U", takes={1: "B"}), visit("V")), "")


@pytest.mark.parametrize(
    ("start", "target", "lost", "why"),
    [
        ("ferry", north(0), True, "nobody knows where ferry stands"),
        ("stack-n", FERRY, True, "nobody knows where ferry stands"), ("stack-n", FERRY, False, ""),
        ("stack-n", siding(0), True, "nobody knows where ferry stands"),
        ("stack-s", siding(0), True, ""), ("stack-n", north(2), True, ""),
    ],
)  # fmt: skip
def test_a_deck_on_the_way_has_to_stand_somewhere(start: str, target: Spot, lost: bool, why: str) -> None:
    slots = {start: ("A",) + ("",) * (SITE.places[start].slots - 1)}
    state = picture(slots, words={"ferry": {"state": "lost"}} if lost else {})
    goal = GoalState({"A": target})
    assert possible(goal, state) == (GoalState() if why else goal, why)


def test_where_no_crane_reaches_nothing_is_brought() -> None:
    alone = replace(SITE.places["stack-n"], name="alone")
    site = replace(SITE, places={**SITE.places, "alone": alone})
    goal = GoalState({"A": Spot("alone", 0)})
    found, why = ProblemBuilder(site, {}).possible(picture({"stack-n": ("A", "", "", "")}), goal, ())
    assert (found.boxes, why) == ({}, "no crane brings a box from stack-n to alone")
