"""A crane that is held, cancelled, in a fault, without power or taken by hand, against the truth of its world."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from protocol.site_file import scenario
from tests.examples import examples
from tests.reference_node.crane_orders import MOVE, TOP
from tests.reference_node.yard import BOOT, answers, homed_crane, with_crane


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
