"""The next order towards a goal, or what has to come first, in a picture of the yard made by hand."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from reference_node.supervisor.observe.boxes import Carriage, Spot
from reference_node.supervisor.observe.yard_state import YardState
from reference_node.supervisor.plan.goals import Admit, Depart, Move, Run, Single
from reference_node.supervisor.plan.next_step import Step, Wait, carry, is_met, next_step, route, train_fields
from tests.planning.pictures import picture
from tests.planning.yards import SITE, north, south

FERRY = Spot("ferry", 0)
NORTH_FULL = {"stack-n": ("A", "B", "", "")}
AT_REST = {"siding": {"state": "at-rest"}}
AWAY = {"ferry": {"place": "quay-s"}}
MOVING = {"ferry": {"state": "moving", "place": ""}}
BY_TRAIN = {"reading": 150, "arrival": 2, "berth_boot": 4}
BY_STOP = {"stop": 6, "shuttle_boot": 3}
AT_SOUTH = {"stack-s": ("A", "")}


def transfer(crane: str, box: str, source: Spot | None, target: Spot, **more: Any) -> Step:
    fields: dict[str, Any] = {"to": target.place, "to_slot": target.slot, "box": box} | more
    if source is not None:
        fields |= {"from": source.place, "from_slot": source.slot}
    return Step(crane, "transfer", fields, Carriage(box, source, target))


RUN_N, RUN_S = Step("ferry", "run", {"to": "quay-n"}), Step("ferry", "run", {"to": "quay-s"})


@pytest.mark.parametrize(
    ("goal", "state", "step"),
    [
        (Move("B", "stack-n", 2), picture(NORTH_FULL), transfer("north", "B", north(1), north(2))),
        (
            Move("A", "stack-n", 2),
            picture(NORTH_FULL),
            Wait("box A at stack-n slot 0 has another on top, or one unsure"),
        ),
        (
            Move("A", "stack-n", 2),
            picture({"stack-n": ("A", "?", "", "")}),
            Wait("box A at stack-n slot 0 has another on top, or one unsure"),
        ),
        (Move("C", "stack-n", 2), picture(NORTH_FULL), Wait("nobody knows where box C is")),
        (
            Move("B", "stack-n", 3),
            picture(NORTH_FULL),
            Wait("slot 3 of stack-n is in mid-air: nothing stands in slot 2 below it"),
        ),
        (Move("B", "stack-n", 0), picture(NORTH_FULL), Wait("slot 0 of stack-n is not free: A stands there")),
        (Move("B", "stack-s", 0), picture(NORTH_FULL), transfer("north", "B", north(1), FERRY, **BY_STOP)),
        (Move("B", "stack-s", 0), picture(NORTH_FULL, words=AWAY), RUN_N),
        (Move("B", "stack-s", 0), picture(NORTH_FULL, words=MOVING), Wait("ferry has to stand at a place")),
        (
            Move("B", "stack-s", 0),
            picture(NORTH_FULL, words={"ferry": None}),
            Wait("ferry has to stand at a place"),
        ),
        (
            Move("B", "stack-s", 0),
            picture(NORTH_FULL | {"ferry": ("X",)}),
            Wait("no free slot on the way of box B"),
        ),
        (Move("B", "stack-s", 0), picture({"ferry": ("B",)}), RUN_S),
        (
            Move("B", "stack-s", 0),
            picture({"ferry": ("B",)}, words=AWAY),
            transfer("south", "B", FERRY, south(0), **BY_STOP),
        ),
        (
            Move("B", "siding", 1),
            picture({"ferry": ("B",)}, words=AWAY | AT_REST),
            transfer("south", "B", FERRY, Spot("siding", 1), **BY_STOP | BY_TRAIN),
        ),
        (
            Move("B", "siding", 1),
            picture({"ferry": ("B",)}, words=AWAY),
            Wait("the train at siding has to be at rest"),
        ),
        (
            Move("A", "siding", 1),
            picture(AT_SOUTH, words=AT_REST),
            transfer("south", "A", south(0), Spot("siding", 1), **BY_TRAIN),
        ),
        (
            Move("A", "stack-n", 0),
            picture({"siding": ("", "A", "")}, words=AT_REST | AWAY),
            transfer("south", "A", Spot("siding", 1), FERRY, **BY_STOP | BY_TRAIN),
        ),
        (
            Move("A", "siding", 2),
            picture({"siding": ("A", "", "")}, words=AT_REST),
            transfer("south", "A", Spot("siding", 0), Spot("siding", 2), **BY_TRAIN),
        ),
        (Move("H", "stack-n", 0), picture(spreaders={"north": "H"}), transfer("north", "H", None, north(0))),
        (
            Move("H", "stack-s", 0),
            picture(spreaders={"north": "H"}),
            transfer("north", "H", None, FERRY, **BY_STOP),
        ),
        (
            Move("H", "stack-s", 0),
            picture({"ferry": ("X",)}, spreaders={"north": "H"}),
            transfer("north", "H", None, north(0)),
        ),
        (
            Move("H", "stack-s", 0),
            picture({"ferry": ("X",), "stack-n": ("?", "?", "?", "?")}, spreaders={"north": "H"}),
            Wait("no free slot on the way of box H"),
        ),
        (
            Move("B", "stack-n", 2),
            picture(NORTH_FULL, carriages={"north": Carriage("B", north(1), FERRY)}),
            Wait("box B is under way"),
        ),
        (Admit("siding"), picture(), Step("siding", "admit")),
        (Admit("siding", "T", ("A",)), picture(), Step("siding", "admit", {"train": "T"}, brings=("A",))),
        (Admit("siding"), picture(words=AT_REST), Wait("siding has to be empty")),
        (Admit("siding"), picture(silent=("siding",)), Wait("siding has to be empty")),
        (Depart("siding"), picture(words=AT_REST), Step("siding", "depart")),
        (Depart("siding"), picture(), Wait("the train at siding has to be at rest")),
        (Run("ferry", "quay-s"), picture(), RUN_S),
        (Run("ferry", "quay-s"), picture(words=MOVING), Wait("ferry has to stand at a place")),
    ],
)
def test_the_next_order_or_what_has_to_come_first(goal: Single, state: YardState, step: Step | Wait) -> None:
    assert next_step(goal, state) == step


@pytest.mark.parametrize(
    ("goal", "state", "met"),
    [
        (Move("A", "stack-n", 0), picture(NORTH_FULL), True),
        (Move("A", "stack-n", 1), picture(NORTH_FULL), False),
        (
            Move("A", "stack-n", 0),
            picture(NORTH_FULL, carriages={"north": Carriage("A", None, north(0))}),
            False,
        ),
        (
            Move("A", "stack-n", 0),
            picture(NORTH_FULL, carriages={"north": Carriage("B", None, north(1))}),
            True,
        ),
        (Admit("siding"), picture(words=AT_REST), True),
        (Admit("siding"), picture(words=AT_REST, jobs={"siding": "depart"}), False),
        (Admit("siding"), picture(), False),
        (Depart("siding"), picture(), True),
        (Depart("siding"), picture(jobs={"siding": "admit"}), False),
        (Depart("siding"), picture(words=AT_REST), False),
        (Depart("siding"), picture(silent=("siding",)), False),
        (Run("ferry", "quay-n"), picture(), True),
        (Run("ferry", "quay-s"), picture(), False),
        (Run("ferry", "quay-n"), picture(jobs={"ferry": "run"}), False),
        (Run("ferry", "quay-n"), picture(silent=("ferry",)), False),
    ],
)
def test_a_goal_is_met_by_what_is_known_now(goal: Single, state: YardState, met: bool) -> None:
    assert is_met(goal, state) is met


@pytest.mark.parametrize(
    ("start", "end", "way"),
    [
        ("stack-n", "ferry", (("north", "ferry"),)),
        ("stack-n", "stack-s", (("north", "ferry"), ("south", "stack-s"))),
        ("siding", "stack-n", (("south", "ferry"), ("north", "stack-n"))),
        ("siding", "stack-s", (("south", "stack-s"),)),
        ("stack-n", "stack-n", ()),
    ],
)
def test_a_box_goes_by_the_fewest_cranes(start: str, end: str, way: tuple[tuple[str, str], ...]) -> None:
    assert route(SITE, start, end) == way


def test_no_hop_goes_from_track_to_track_or_to_where_no_crane_reaches() -> None:
    """SUP-23: between two berths a box goes by way of a stack."""
    crane = SITE.nodes["south"].crane
    assert crane is not None
    places = {
        **SITE.places,
        "branch": replace(SITE.places["siding"], name="branch"),
        "alone": replace(SITE.places["stack-n"], name="alone"),
    }
    reach = {**crane.places, "branch": replace(crane.places["siding"], place="branch")}
    south_crane = replace(SITE.nodes["south"], crane=replace(crane, places=reach))
    site = replace(SITE, places=places, nodes={**SITE.nodes, "south": south_crane})
    assert len(route(site, "siding", "branch")) == 2
    assert route(site, "siding", "branch")[0][1] in ("stack-s", "ferry")
    assert route(site, "siding", "alone") == route(site, "alone", "siding") == ()


def test_an_order_may_be_asked_for_by_its_ends() -> None:
    assert carry("A", "north", north(1), north(2), picture(NORTH_FULL)) == transfer(
        "north", "A", north(1), north(2)
    )
    assert carry("A", "north", None, FERRY, picture(words=AWAY)) == RUN_N
    assert train_fields(picture(), "siding") == train_fields(picture(silent=("siding",)), "siding") == {}
    assert train_fields(picture(words=AT_REST), "siding") == BY_TRAIN
