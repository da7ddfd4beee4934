"""The crane against the ground truth of its world: what really hangs, stands and moves."""

from __future__ import annotations

import math
from typing import Any

import pytest

from protocol.position_table import PositionTable
from protocol.site_file import scenario
from reference_node.machines.node_machines import Machines
from tests.reference_node.crane_orders import MOVE, TOP, steps
from tests.reference_node.yard import BOOT, Yard, answers, homed_crane, with_crane


def test_comes_up_unhomed_and_moves_nothing() -> None:
    """CRN-01, SAF-02."""
    yard = Yard("north")
    yard.run(10_000)
    status = yard.state("north", "crane-status")
    assert status["mode"] == "unhomed"
    assert not any(homed for _, _, homed in status["axes"])
    assert yard.starts("north") == 0


def test_homes_the_hoist_before_anything_else_moves() -> None:
    yard = Yard("north")
    yard.order("north", "home")
    machine = yard.machines["north"].crane
    assert machine is not None
    assert yard.until(lambda: machine.turning(0) or machine.turning(1))
    assert machine.homed(2)
    assert yard.until(lambda: yard.nodes["north"].roles["crane"].state == "ready")
    assert [axis.true_position for axis in machine.axes] == pytest.approx([0, 0, 0], abs=1)


def test_a_transfer_moves_the_box_that_is_really_there() -> None:
    """CRN-10, and the steps in their order."""
    yard = homed_crane(boxes=TOP)
    report = yard.job("north", "transfer", **MOVE)
    assert (report["state"], report["load"], report["box"]) == ("done", "none", "UPPER")
    assert yard.world.boxes == {("stack-n", 0): "LOWER", ("stack-n", 2): "UPPER"}
    assert not yard.world.accidents
    assert steps(yard, "transfer") == [
        "travel-to-pick", "lower-to-pick", "grip", "lift",
        "travel-to-drop", "lower-to-drop", "release", "clear",
    ]  # fmt: skip
    held = {
        r["step"]: r["load"]
        for r in yard.reports("north")
        if r.get("step") in ("lift", "travel-to-drop", "release")
    }
    assert held == {"lift": "box", "travel-to-drop": "box", "release": "box"}
    axes = yard.state("north", "crane-status")["axes"]
    assert all(position == target for position, target, _ in axes), "CRN-11"


@pytest.mark.parametrize("sensor", [True, False])
def test_every_slot_of_every_stack_is_found(sensor: bool) -> None:
    site = with_crane(scenario(), "north", load_sensor=sensor)
    yard = homed_crane(site=site, boxes={("stack-n", 0): "B"})
    if not sensor:
        yard.order("north", "reset-fault", faults=0, found="none")
    for before, after in ((0, 2), (2, 0)):
        fields: dict[str, Any] = {
            "from_": "stack-n",
            "from_slot": before,
            "to": "stack-n",
            "to_slot": after,
            "box": "B",
        }
        assert yard.job("north", "transfer", **fields)["state"] == "done"
        assert yard.world.boxes == {("stack-n", after): "B"}
    assert not yard.world.accidents


def test_an_empty_slot_is_a_missed_pick_and_the_next_pick_works() -> None:
    """FLT-02; the fingers that closed on nothing open again before the next box."""
    yard = homed_crane(boxes=TOP)
    report = yard.job("north", "transfer", **{**MOVE, "from_slot": 3})
    assert (report["state"], report["reason"], report["load"]) == ("failed", "fault", "none")
    assert yard.state("north", "fault")["active"] == ["pick-missed"]
    assert yard.state("north", "crane-status")["mode"] == "faulted"
    yard.order("north", "reset-fault", faults=1)
    assert yard.state("north", "crane-status")["mode"] == "ready"
    assert yard.job("north", "transfer", **MOVE)["state"] == "done"
    assert yard.world.boxes[("stack-n", 2)] == "UPPER"


def test_a_spreader_that_slips_is_a_missed_pick() -> None:
    yard = homed_crane(boxes=TOP)
    machine = yard.machines["north"].crane
    assert machine is not None
    machine.spreader.misses_to_come = 1
    assert yard.job("north", "transfer", **MOVE)["state"] == "failed"
    assert yard.world.boxes == TOP, "the box still stands"


def test_a_jammed_axis_is_stuck_and_named() -> None:
    yard = homed_crane(boxes=TOP)
    machine = yard.machines["north"].crane
    assert machine is not None
    machine.jammed.add(1)
    assert yard.job("north", "transfer", **MOVE)["state"] == "failed"
    fault = yard.state("north", "fault")
    assert (fault["changed"], fault["part"], fault["job"]) == ("axis-stuck", "y", yard.ids["north"])
    yard.run(2_000)
    assert machine.still


def test_a_dead_home_switch_is_missed_and_named() -> None:
    yard = Yard("north")
    machine = yard.machines["north"].crane
    assert machine is not None
    machine.axes[0].switch_works = False
    assert yard.job("north", "home")["state"] == "failed"
    assert yard.state("north", "fault")["part"] == "x"
    yard.order("north", "reset-fault", faults=1)
    assert yard.state("north", "crane-status")["mode"] == "unhomed"


def trapezoid_ms(way: float, speed: float, acceleration: float) -> float:
    """Time of a rest-to-rest move with a trapezoidal or triangular velocity profile, in ms.

    Source: any robotics textbook on trajectories: t = d/v + v/a where d >= v^2/a, else t = 2 sqrt(d/a).
    """
    if way >= speed * speed / acceleration:
        return 1000 * (way / speed + speed / acceleration)
    return 1000 * 2 * math.sqrt(way / acceleration)


@pytest.mark.parametrize("way", [5, 60, 400])
def test_a_jog_takes_as_long_as_the_textbook_says(way: int) -> None:
    yard = homed_crane()
    crane = yard.site.nodes["north"].crane
    assert crane is not None
    axis = crane.axes[0]
    yard.job("north", "jog", target=[100, 0, 0])
    before_ms = yard.now_ms
    assert yard.job("north", "jog", target=[100 + way, 0, 0])["state"] == "done"
    took_ms = yard.now_ms - before_ms
    assert took_ms == pytest.approx(trapezoid_ms(way, axis.speed, axis.acceleration), abs=3)


def test_park_ends_on_the_parking_position() -> None:
    yard = homed_crane()
    yard.job("north", "jog", target=[300, 10, 100])
    assert yard.job("north", "park")["state"] == "done"
    crane = yard.site.nodes["north"].crane
    assert crane is not None
    assert [axis[0] for axis in yard.state("north", "crane-status")["axes"]] == [
        axis.park for axis in crane.axes
    ]


@pytest.mark.parametrize(
    ("fields", "reason"),
    [
        ({"from_slot": 4}, "place"),
        ({"to": "nowhere"}, "place"),
        ({"to": "ferry", "to_slot": 0}, "place"),  # no stop named
        ({"from_": "siding", "from_slot": 0}, "place"),  # a track that this crane has no table for
        ({"from_": None}, "load"),
    ],
)
def test_refuses_what_it_cannot_do(fields: dict[str, Any], reason: str) -> None:
    """CRN-05, CRN-07, CRN-08, ORD-20."""
    yard = homed_crane(boxes=TOP)
    starts = yard.starts("north")
    order = {name: value for name, value in {**MOVE, **fields}.items() if value is not None}
    if "from_" not in order:
        del order["from_slot"]
    assert [said[2:] for said in answers(yard.order("north", "transfer", **order))] == [("refused", reason)]
    yard.run(3_000)
    assert yard.starts("north") == starts


@pytest.mark.parametrize("target", [[601, 0, 0], [-1, 0, 0], [0, 0, 161], [0, 0], [0]])
def test_refuses_what_it_cannot_reach(target: list[int]) -> None:
    """CRN-04."""
    yard = homed_crane()
    assert answers(yard.order("north", "jog", target=target))[0][2:] == ("refused", "reach")


@pytest.mark.parametrize("act", ["park", "jog", "transfer"])
def test_an_unhomed_crane_refuses_to_move(act: str) -> None:
    """CRN-03."""
    yard = Yard("north", boxes=TOP)
    fields: dict[str, Any] = {"park": {}, "jog": {"target": [0, 0, 0]}, "transfer": MOVE}[act]
    assert answers(yard.order("north", act, **fields))[0][2:] == ("refused", "mode")


def test_a_reading_goes_through_the_table_and_never_beyond_it() -> None:
    """CRN-06, against the same interpolation by hand: linear between two entries."""
    site = scenario()
    crane = site.nodes["south"].crane
    assert crane is not None
    table = crane.places["siding"].table
    (low, at_low), (high, at_high) = table[0], table[1]
    yard = homed_crane("south", boxes={("stack-s", 0): "B"})
    planned = {"arrival": 1, "berth_boot": 9}
    fields: dict[str, Any] = {
        "from_": "stack-s",
        "from_slot": 0,
        "to": "siding",
        "to_slot": 1,
        "box": "B",
        **planned,
    }
    for beyond in (low - 1, table[-1][0] + 1):
        assert answers(yard.order("south", "transfer", **fields, reading=beyond))[0][3] == "outside-table"
    reading = (low + high) // 2
    wanted = at_low + (at_high - at_low) * (reading - low) / (high - low) + crane.places["siding"].slots[1][0]
    yard.order("south", "transfer", **fields, reading=reading)
    assert yard.until(lambda: yard.reports("south")[-1].get("step") == "lower-to-drop")
    assert yard.state("south", "crane-status")["axes"][0][0] == pytest.approx(wanted, abs=0.5)
    assert PositionTable(table).low == low


def test_the_machine_outlives_its_controller() -> None:
    """FLT-05: a reset moves nothing, and what was commanded before it goes on no further."""
    yard = homed_crane()
    yard.order("north", "jog", target=[500, 200, 100])
    yard.run(1_000)
    machines: Machines = yard.machines["north"]
    crane = machines.crane
    assert crane is not None
    assert any(axis.moving for axis in crane.axes)
    yard.start("north", BOOT + 1)
    assert not any(axis.moving for axis in crane.axes)
    yard.run(5_000)
    assert yard.starts("north") == 0
