"""The crane against the ground truth of its world: what really hangs, stands and moves."""

from __future__ import annotations

import math
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from protocol.position_table import PositionTable
from protocol.site_file import scenario
from reference_node.machines.node_machines import Machines
from tests.examples import examples
from tests.reference_node.yard import BOOT, Yard, answers, homed_crane, with_crane

TOP = {("stack-n", 0): "LOWER", ("stack-n", 1): "UPPER"}
MOVE: dict[str, Any] = {"from_": "stack-n", "from_slot": 1, "to": "stack-n", "to_slot": 2, "box": "UPPER"}


def steps(yard: Yard, act: str, node: str = "north") -> list[str]:
    said = [report["step"] for report in yard.reports(node) if report["act"] == act and "step" in report]
    return [step for number, step in enumerate(said) if step not in said[:number]]


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


@pytest.mark.slow
@examples(40)
@given(holds=st.lists(st.tuples(st.integers(1, 3_000), st.integers(0, 5_000)), min_size=1, max_size=4))
def test_holds_at_any_moment_change_nothing_but_time(holds: list[tuple[int, int]]) -> None:
    """HLD-03, HLD-05: also in the middle of a grip or a release."""
    yard = homed_crane(boxes=TOP)
    yard.order("north", "transfer", **MOVE)
    machine = yard.machines["north"].crane
    assert machine is not None
    for before_ms, held_ms in holds:
        yard.run(before_ms)
        yard.order("north", "hold")
        assert yard.state("north", "crane-status")["held"]
        yard.until(lambda: machine.still, 2_000)
        assert machine.still
        starts = yard.starts("north")
        yard.run(held_ms)
        assert yard.starts("north") == starts, "a held crane moves nothing"
        yard.order("north", "resume", holds=yard.nodes["north"].holds)
    job = yard.nodes["north"].job
    assert job is not None
    assert yard.until(lambda: not job.is_open)
    assert job.state == "done"
    assert yard.world.boxes == {("stack-n", 0): "LOWER", ("stack-n", 2): "UPPER"}
    assert not yard.world.accidents


@pytest.mark.parametrize("before_ms", range(300, 460, 10))
def test_a_hold_that_stops_on_the_target_costs_no_more_than_itself(before_ms: int) -> None:
    """HLD-05: nothing moves after the resume, so no machine says that the leg has ended."""
    yard = homed_crane()
    yard.order("north", "jog", target=[40, 0, 0])
    job, machine = yard.nodes["north"].job, yard.machines["north"].crane
    assert job is not None
    assert machine is not None
    yard.run(before_ms)
    yard.order("north", "hold")
    yard.run(3_000)
    assert machine.still
    there = machine.arrived(0)
    yard.order("north", "resume", holds=1)
    assert yard.until(lambda: not job.is_open, 50 if there else 1_000)
    assert job.state == "done"


def test_the_time_held_is_no_time_of_the_job() -> None:
    """HLD-05."""
    yard = homed_crane(boxes=TOP)
    yard.order("north", "transfer", **MOVE)
    yard.run(1_000)
    yard.order("north", "hold")
    yard.run(600_000)
    yard.order("north", "resume", holds=1)
    job = yard.nodes["north"].job
    assert job is not None
    assert yard.until(lambda: not job.is_open)
    assert job.state == "done"


@examples(60)
@given(after_ms=st.integers(0, 15_000))
def test_a_cancel_at_any_moment_tells_the_truth(after_ms: int) -> None:
    """ORD-17: 'cancelled' only if the box stands where it stood, and 'ready' only at rest on the target."""
    yard = homed_crane(boxes=TOP)
    yard.order("north", "transfer", **MOVE)
    job = yard.nodes["north"].job
    assert job is not None
    yard.run(after_ms)
    said = answers(yard.order("north", "cancel", ref=job.id))
    state, reason = said[0][2:]
    assert (reason == "too-late") == (state == "running")
    yard.until(lambda: False, 40_000)
    moved = yard.world.boxes != TOP
    assert job.state == ("done" if moved else "cancelled")
    assert state != "cancelled" or not moved
    for one in yard.said:
        if one.message == "crane-status" and one.body["mode"] == "ready" and one.body.get("job") == job.id:
            assert all(position == target for position, target, _ in one.body["axes"]), "CRN-11"


def test_a_crane_without_load_sensor_is_unsure_until_a_person_tells() -> None:
    """CRN-09."""
    site = with_crane(scenario(), "north", load_sensor=False)
    yard = homed_crane(site=site, boxes=TOP)
    assert yard.state("north", "fault")["active"] == ["load-unsure"]
    assert yard.state("north", "crane-status")["load"] == "unsure"
    assert answers(yard.order("north", "transfer", **MOVE))[0][3] == "load"
    starts = yard.starts("north")
    yard.order("north", "reset-fault", faults=0)
    assert yard.state("north", "crane-status")["load"] == "unsure", "nothing was said of the load"
    yard.order("north", "reset-fault", faults=0, found="none")
    assert yard.state("north", "fault")["active"] == []
    assert yard.starts("north") == starts, "FLT-05"
    assert yard.job("north", "transfer", **MOVE)["state"] == "done"


@pytest.mark.parametrize("sensor", [True, False])
def test_a_box_in_the_air_is_put_down_after_a_reset(sensor: bool) -> None:
    """CRN-08: the transfer starts from the spreader; nothing is gripped on top of it."""
    site = with_crane(scenario(), "north", load_sensor=sensor)
    yard = homed_crane(site=site, boxes=TOP)
    if not sensor:
        yard.order("north", "reset-fault", faults=0, found="none")
    yard.order("north", "transfer", **MOVE)
    assert yard.until(lambda: yard.reports("north")[-1].get("step") == "travel-to-drop")
    yard.run(500)
    yard.start("north", BOOT + 1, reset_cause="watchdog")
    yard.ids["north"] = 0
    machine = yard.machines["north"].crane
    assert machine is not None
    assert machine.still
    assert machine.spreader.holds == "UPPER"
    status = yard.state("north", "crane-status")
    assert (status["mode"], status["load"]) == ("unhomed", "box" if sensor else "unsure")
    if not sensor:
        yard.order("north", "reset-fault", faults=0, found="box")
    assert yard.job("north", "home")["state"] == "done"
    assert answers(yard.order("north", "transfer", **MOVE))[0][3] == "load"
    down: dict[str, Any] = {"to": "stack-n", "to_slot": 2, "box": "UPPER"}
    assert yard.job("north", "transfer", **down)["state"] == "done"
    assert yard.world.boxes == {("stack-n", 0): "LOWER", ("stack-n", 2): "UPPER"}
    assert not yard.world.accidents


def test_a_fault_in_the_middle_of_a_grip_leaves_a_blind_crane_unsure() -> None:
    """CRN-09: it can no longer know whether the box hangs."""
    site = with_crane(scenario(), "north", load_sensor=False)
    yard = homed_crane(site=site, boxes=TOP)
    yard.order("north", "reset-fault", faults=0, found="none")
    yard.order("north", "transfer", **MOVE)
    assert yard.until(lambda: yard.reports("north")[-1].get("step") == "grip")
    yard.run(100)
    yard.machines["north"].cut_power()
    yard.run(100)
    assert set(yard.state("north", "fault")["active"]) == {"power-lost", "load-unsure"}
    assert yard.state("north", "crane-status")["load"] == "unsure"


def test_loss_of_motor_power_is_noticed_and_unhomes() -> None:
    """FLT-06, FLT-05."""
    yard = homed_crane(boxes=TOP)
    yard.order("north", "transfer", **MOVE)
    yard.run(2_000)
    yard.machines["north"].cut_power()
    yard.run(50)
    status = yard.state("north", "crane-status")
    assert (status["mode"], status["job_state"]) == ("faulted", "failed")
    assert not any(homed for _, _, homed in status["axes"])
    yard.order("north", "reset-fault", faults=1)
    assert yard.state("north", "fault")["active"] == ["power-lost"], "the power is still off"
    assert yard.state("north", "crane-status")["mode"] == "faulted"
    yard.machines["north"].restore_power()
    yard.run(50)
    starts = yard.starts("north")
    yard.order("north", "reset-fault", faults=1)
    yard.run(5_000)
    assert yard.state("north", "crane-status")["mode"] == "unhomed"
    assert yard.starts("north") == starts


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


def test_a_crane_taken_by_hand_takes_no_job_and_knows_no_position_after_it() -> None:
    """CRN-02, CRN-03, CRN-11: what a person turns, no count of the motors follows."""
    yard = homed_crane()
    crane = yard.machines["north"].crane
    assert crane is not None
    crane.by_hand = True
    yard.run(50)
    status = yard.state("north", "crane-status")
    assert status["mode"] == "manual"
    assert not any(axis[2] for axis in status["axes"])
    before = yard.starts("north")
    for act in ("home", "park"):
        assert answers(yard.order("north", act))[0][3] == "mode"
    yard.run(1_000)
    crane.by_hand = False
    yard.run(50)
    assert yard.state("north", "crane-status")["mode"] == "unhomed"
    assert yard.starts("north") == before, "nothing moves by itself"


def test_the_switch_waits_for_the_end_of_the_job_and_a_job_that_is_held_is_no_end() -> None:
    yard = homed_crane()
    crane = yard.machines["north"].crane
    assert crane is not None
    yard.order("north", "park")
    yard.order("north", "hold")
    crane.by_hand = True
    yard.run(5_000)
    assert yard.state("north", "crane-status")["mode"] == "working"
    yard.order("north", "resume", holds=1)
    assert yard.until(lambda: yard.state("north", "crane-status")["mode"] == "manual")
    assert yard.reports("north")[-1]["state"] == "done"
