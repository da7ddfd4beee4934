"""What may be done in a yard, move by move: the rules of boxes, decks and trains that a plan goes by."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from reference_node.supervisor.observe.boxes import Spot
from reference_node.supervisor.plan.goal_state import GoalState, Visit
from reference_node.supervisor.plan.problem_builder import applied
from reference_node.supervisor.plan.search.problem import Problem, Task, spreader
from reference_node.supervisor.plan.search.yard import NOWHERE, Step, Yard
from tests.planning.yards import SITE, north, south

FERRY, NORTH, SOUTH = Spot("ferry", 0), "north", "south"


def siding(slot: int) -> Spot:
    return Spot("siding", slot)


def visit(train: str = "T", **more: Any) -> Visit:
    return Visit(train, "siding", **more)


def problem(boxes: dict[str, Spot] | None = None, *visits: Visit, wished: dict[str, Spot] | None = None,
            shuttles: dict[str, str] | None = None, **more: Any) -> Problem:  # fmt: skip
    """A yard whose shuttle stands in the north."""
    goal_state = GoalState(wished or {}, visits, shuttles or {})
    return Problem(SITE, goal_state, boxes or {}, **{"stops": {"ferry": "quay-n"}} | more)


def steps(of: Problem) -> dict[str, Step]:
    """Everything that may be done, by its words."""
    yard = Yard(of)
    return {
        f"{one.task} from {one.task.source}" if one.task.source else str(one.task): one
        for one in yard.steps(yard.start())
    }


def moved(of: Problem, node: str = "") -> set[tuple[str, Spot | None, Spot | None]]:
    """The transfers among them, as box, start and end."""
    found = (one.task for one in steps(of).values())
    return {
        (one.box, one.source, one.target) for one in found if one.act == "transfer" and node in ("", one.node)
    }


def others(of: Problem) -> set[str]:
    return {str(one.task) for one in steps(of).values() if one.task.act != "transfer"}


# ---------------------------------------------------------------- boxes
def test_a_box_goes_to_the_ground_or_onto_another_and_never_onto_itself() -> None:
    assert moved(problem({"A": north(0)})) == {("A", north(0), north(2)), ("A", north(0), FERRY)}
    found = moved(problem({"A": north(0), "B": north(2)}))
    assert found == {
        ("A", north(0), north(3)), ("A", north(0), FERRY), ("B", north(2), north(1)), ("B", north(2), FERRY),
    }  # fmt: skip


def test_what_stands_under_another_is_not_picked() -> None:
    found = moved(problem({"A": north(0), "B": north(1)}))
    assert found == {("B", north(1), north(2)), ("B", north(1), FERRY)}


def test_where_nobody_knows_what_stands_nothing_is_picked_or_set_down() -> None:
    assert moved(problem({"A": north(0)}, unsure=frozenset({north(1)}))) == set()
    assert moved(problem({"A": north(0)}, unsure=frozenset({FERRY}))) == {("A", north(0), north(2))}
    assert moved(problem({"A": north(0)}, unsure=frozenset({north(2)}))) == {("A", north(0), FERRY)}


def test_a_crane_with_a_box_sets_it_down_first() -> None:
    found = moved(problem({"A": spreader(NORTH), "B": north(0)}))
    assert found == {("A", None, north(1)), ("A", None, north(2)), ("A", None, FERRY)}


def test_a_deck_is_reached_at_the_crane_s_own_stop() -> None:
    boxes = {"A": north(0), "B": south(0)}
    assert ("A", north(0), FERRY) in moved(problem(boxes), NORTH)
    assert moved(problem(boxes), SOUTH) == set()
    away = problem(boxes, stops={"ferry": "quay-s"})
    assert moved(away, SOUTH) == {("B", south(0), FERRY)}
    assert moved(away, NORTH) == {("A", north(0), north(2))}
    unknown = problem(boxes, stops={})
    assert (moved(unknown, NORTH), moved(unknown, SOUTH)) == ({("A", north(0), north(2))}, set())


def test_what_was_refused_for_good_is_not_tried_again() -> None:
    refused = Task(NORTH, "transfer", "A", north(0), north(2))
    assert moved(problem({"A": north(0)}, never=frozenset({refused}))) == {("A", north(0), FERRY)}


def test_a_transfer_moves_the_box_and_its_crane_and_nothing_else() -> None:
    of = problem({"A": north(0), "B": south(0)})
    yard = Yard(of)
    before = yard.start()
    [step] = [one for one in yard.steps(before) if one.task.target == FERRY]
    a, number = yard.labels.index("A"), yard.cranes.index(NORTH)
    assert step.after.boxes[a] == yard.spot[FERRY]
    assert step.after.cranes[number] == yard.spot[FERRY]
    assert (before.cranes, step.not_before) == ((NOWHERE, NOWHERE), 0)
    assert (step.after.trains, step.after.stops) == (before.trains, before.stops)
    assert [one for n, one in enumerate(step.after.boxes) if n != a] == [
        one for n, one in enumerate(before.boxes) if n != a
    ]
    assert yard.nodes[step.node] == NORTH
    again = Yard(replace(of, at={NORTH: north(2)})).start()
    assert again.cranes[number] == yard.spot[north(2)]


def test_of_several_cranes_and_boxes_the_others_stay_where_they_were() -> None:
    of = problem(
        {"A": north(0), "B": south(0), "C": north(2)}, stops={"ferry": "quay-s"}, at={NORTH: north(2)}
    )
    yard = Yard(of)
    before = yard.start()
    [step] = [one for one in yard.steps(before) if one.task.node == SOUTH]
    assert step.after.cranes == (yard.spot[north(2)], yard.spot[FERRY])
    moved_to = {"A": north(0), "B": FERRY, "C": north(2)}
    assert step.after.boxes == tuple(yard.spot[moved_to[label]] for label in yard.labels)
    places = {**SITE.places, "branch": replace(SITE.places["siding"], name="branch", node="branch")}
    berth = replace(SITE.nodes["siding"], name="branch")
    two = Yard(
        replace(
            problem({}, visit()), site=replace(SITE, places=places, nodes={**SITE.nodes, "branch": berth})
        )
    )
    [admit] = [one for one in two.steps(two.start()) if one.task.act == "admit"]
    assert dict(zip(two.berths, admit.after.trains, strict=True)) == {
        "siding": (1, True),
        "branch": (0, False),
    }


# ---------------------------------------------------------------- shuttles
def test_a_shuttle_runs_to_each_other_stop() -> None:
    assert others(problem()) == {"ferry: run to quay-s"}
    assert others(problem(stops={"ferry": "quay-s"})) == {"ferry: run to quay-n"}
    assert others(problem(stops={})) == set(), "nobody knows where it stands"
    of = problem()
    step = steps(of)["ferry: run to quay-s"]
    assert (step.after.stops, step.cost) == (("quay-s",), of.durations.run_ms + of.durations.order_ms)
    assert step.after._replace(stops=("quay-n",)) == Yard(of).start()


# ---------------------------------------------------------------- trains
def test_trains_come_one_after_the_other_and_with_their_boxes() -> None:
    of = problem({}, visit("T", brings=("", "A", "?")), visit("U"), now_ms=4_000)
    step = steps(of)["siding: admit T"]
    yard = Yard(of)
    assert (step.after.trains, step.not_before) == (((1, True),), 0)
    assert step.after.boxes == (yard.spot[siding(1)],)
    assert step.cost == of.durations.admit_ms + of.durations.order_ms
    assert "siding: admit U" not in steps(of)
    second = replace(of, let_in={"siding": 1})
    assert others(second) == {"siding: admit U", "ferry: run to quay-s"}
    assert others(replace(of, let_in={"siding": 2})) == {"ferry: run to quay-s"}


@pytest.mark.parametrize(("at_ms", "wait"), [(9_000, 5_000), (4_000, 0), (3_999, 0)])
def test_a_train_is_not_let_in_before_its_time(at_ms: int, wait: int) -> None:
    assert steps(problem({}, visit(not_before_ms=at_ms), now_ms=4_000))["siding: admit T"].not_before == wait


def stands(boxes: dict[str, Spot], *visits: Visit, **more: Any) -> Problem:
    return problem(boxes, *visits, **{"let_in": {"siding": 1}, "at_rest": frozenset({"siding"})} | more)


@pytest.mark.parametrize(
    ("of", "leaves"),
    [
        (stands({}, visit()), True),
        (stands({}, visit(departs=False)), False),
        (stands({}, visit(departs=False), visit("U")), True),
        (stands({"A": siding(0)}, visit(takes={0: "A"})), True),
        (stands({"A": siding(1)}, visit(takes={0: "A"})), False),
        (stands({"A": south(0)}, visit(takes={0: "A"})), False),
        (stands({}, visit(takes={0: "A"})), False),
        (stands({"A": siding(0)}, visit(), wished={"A": south(0)}), False),
        (stands({"A": siding(0)}, visit()), True),
        (stands({"A": siding(0)}, visit(), visit("U", takes={1: "A"})), False),
        (stands({}, visit(), unsure=frozenset({siding(2)})), False),
        (stands({}, visit(), unsure=frozenset({south(0)})), True),
        (stands({}), False),
        (stands({}, visit(), let_in={"siding": 0}), True),
        (stands({"A": siding(0)}, visit(takes={2: "A"}), let_in={"siding": 0}), False),
    ],
)
def test_a_train_leaves_with_what_it_takes_and_nothing_that_is_wanted(of: Problem, leaves: bool) -> None:
    found = {name: step for name, step in steps(of).items() if "depart" in name}
    assert len(found) == leaves
    assert not any("admit" in name for name in steps(of)), "the track is taken"
    for name, step in found.items():
        let_in = of.let_in["siding"]
        assert name == ("siding: depart T" if let_in else "siding: depart")
        assert step.after.trains == ((let_in, False),)
        assert step.cost == of.durations.depart_ms + of.durations.order_ms
        assert step.after.boxes == (NOWHERE,) * len(step.after.boxes)


def test_what_is_elsewhere_stays_when_a_train_leaves() -> None:
    of = stands({"A": siding(0), "B": south(0)}, visit(takes={0: "A"}))
    yard = Yard(of)
    after = steps(of)["siding: depart T"].after
    assert {label: after.boxes[n] for n, label in enumerate(yard.labels)} == {
        "A": NOWHERE,
        "B": yard.spot[south(0)],
    }


@pytest.mark.parametrize(
    ("let_in", "takes", "slots"),
    [(1, {1: "A"}, {1}), (1, {}, set()), (1, {1: "B"}, set()), (2, {1: "A"}, set())],
)
def test_on_a_train_is_set_what_belongs_there(let_in: int, takes: dict[int, str], slots: set[int]) -> None:
    of = stands({"A": south(0)}, visit(takes=takes), visit("U"), let_in={"siding": let_in})
    found = {target.slot for _, _, target in moved(of, SOUTH) if target and target.place == "siding"}
    assert found == slots
    empty = replace(of, at_rest=frozenset())
    assert not any(target and target.place == "siding" for _, _, target in moved(empty, SOUTH))


def test_a_box_that_is_to_stay_on_the_track_may_be_set_there() -> None:
    of = stands({"A": south(0)}, wished={"A": siding(2)})
    assert {target for _, _, target in moved(of, SOUTH) if target and target.place == "siding"} == {siding(2)}


def test_one_order_names_one_berth_and_one_shuttle() -> None:
    """SUP-23: between two berths a box goes by way of a stack."""
    yard = Yard(problem())
    spot = yard.spot
    assert yard.may_go(spot[north(0)], spot[south(0)])
    assert yard.may_go(spot[siding(0)], spot[FERRY])
    assert yard.may_go(spot[siding(0)], spot[siding(1)])
    assert yard.may_go(spot[FERRY], spot[south(0)])
    assert yard.may_go(spot[spreader(NORTH)], spot[FERRY])
    places = {**SITE.places, "branch": replace(SITE.places["siding"], name="branch")}
    two = Yard(replace(problem(), site=replace(SITE, places=places)))
    assert not two.may_go(two.spot[siding(0)], two.spot[Spot("branch", 0)])


# ---------------------------------------------------------------- the goal
@pytest.mark.parametrize(
    ("of", "met"),
    [
        (problem(), True),
        (problem({"A": north(0)}, wished={"A": north(0)}), True),
        (problem({"A": north(1)}, wished={"A": north(0)}), False),
        (problem({}, wished={"A": north(0)}), False),
        (problem(shuttles={"ferry": "quay-n"}), True),
        (problem(shuttles={"ferry": "quay-s"}), False),
        (problem({}, visit()), False),
        (problem({}, visit(), let_in={"siding": 1}), True),
        (stands({}, visit()), False),
        (stands({}, visit(departs=False)), True),
        (stands({"A": siding(0)}, visit(departs=False, takes={0: "A"})), True),
        (stands({"A": siding(1)}, visit(departs=False, takes={0: "A"})), False),
        (stands({}, visit(departs=False), visit("U", departs=False)), False),
        (stands({}), True),
    ],
)
def test_the_goal_is_met_where_all_that_is_wished_is_so(of: Problem, met: bool) -> None:
    yard = Yard(of)
    assert yard.is_goal(yard.start()) is met


@pytest.mark.parametrize(
    ("let_in", "at_rest", "wanted"),
    [(0, False, True), (1, False, True), (2, True, True), (2, False, False), (3, True, False)],
)
def test_a_box_is_wanted_until_its_train_has_left(let_in: int, at_rest: bool, wanted: bool) -> None:
    of = problem(
        {"A": north(0), "B": north(2), "C": south(0)},
        visit(),
        visit("U", takes={0: "A"}),
        visit("V"),
        wished={"B": north(0)},
    )
    yard = Yard(of)
    state = yard.start()._replace(trains=((let_in, at_rest),))
    assert [yard.is_wanted(yard.labels.index(label), state) for label in "ABC"] == [wanted, True, False]


# ---------------------------------------------------------------- what comes of a task
def test_what_a_task_makes_of_the_yard() -> None:
    of = stands(
        {"A": north(0), "B": siding(0)},
        visit(takes={0: "B"}),
        visit("U", brings=("C", "", "?")),
        unsure=frozenset({siding(1), FERRY}),
    )
    after = applied(of, Task(NORTH, "transfer", "A", north(0), FERRY))
    assert after == replace(of, boxes={"A": FERRY, "B": siding(0)})
    assert applied(of, Task("ferry", "run", stop="quay-s")) == replace(of, stops={"ferry": "quay-s"})
    gone = applied(of, Task("siding", "depart"))
    assert (gone.boxes, gone.unsure, gone.let_in) == ({"A": north(0)}, frozenset({FERRY}), {"siding": 1})
    assert gone.at_rest == frozenset()
    assert [one.takes for one in gone.goal_state.visits] == [{}, {}]
    come = applied(gone, Task("siding", "admit"))
    assert (come.boxes, come.unsure) == ({"A": north(0), "C": siding(0)}, frozenset({FERRY}))
    assert (come.at_rest, come.let_in) == (frozenset({"siding"}), {"siding": 2})
    another = applied(replace(gone, let_in={"siding": 2}), Task("siding", "admit"))
    assert another.unsure == {FERRY, siding(0), siding(1), siding(2)}, "nobody knows what it brings"
    assert applied(replace(of, let_in={"siding": 0}), Task("siding", "depart")).goal_state == of.goal_state
    assert applied(replace(of, let_in={}), Task("siding", "depart")).goal_state == of.goal_state
    assert applied(replace(of, let_in={}), Task("siding", "admit")).let_in == {"siding": 1}
