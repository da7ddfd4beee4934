"""The berth: trains of all kinds come to rest where the reading says, and leave again."""

from __future__ import annotations

from typing import Any

import pytest

from protocol.position_table import PositionTable
from reference_node.machines.siding import OFF_STAGE
from tests.legal_nodes.first_minor import FirstMinor
from tests.mechanism.test_arrival import FLEET
from tests.reference_node.yard import BOOT, Yard, answers


def empty_berth(**how: Any) -> Yard:
    """A berth, its track found empty by a person."""
    yard = Yard("siding", "south", **how)
    yard.order("siding", "reset-fault", faults=0, found="none")
    assert yard.state("siding", "train-arrival")["state"] == "empty"
    return yard


def stimulate(yard: Yard, *inputs: tuple[str, bool, int]) -> None:
    assert answers(yard.order("siding", "stimulus", inputs=[list(one) for one in inputs]))[0][2] == "done"


def test_comes_up_lost_and_moves_nothing() -> None:
    """BER-01, BER-03, BER-07."""
    yard = Yard("siding")
    assert yard.state("siding", "train-arrival")["state"] == "lost"
    assert answers(yard.order("siding", "admit"))[0][3] == "state"
    yard.order("siding", "reset-fault", faults=0)
    assert yard.state("siding", "train-arrival")["state"] == "lost", "nobody said that it is empty"
    assert yard.starts("siding") == 0


@pytest.mark.parametrize("name", FLEET)
def test_any_train_rests_where_the_crane_finds_it_and_leaves(name: str) -> None:
    """BER-09 end to end: a box from the stack really ends up on the train, whatever locomotive pulls it."""
    yard = empty_berth(trains=[FLEET[name].consist()], boxes={("stack-s", 0): "B"})
    assert yard.job("siding", "admit", train="T1")["state"] == "done"
    arrival = yard.state("siding", "train-arrival")
    assert (arrival["state"], arrival["arrival"], arrival["train"]) == ("at-rest", 1, "T1")
    machine = yard.machines["siding"].track
    crane = yard.site.nodes["south"].crane
    berth = yard.site.nodes["siding"].berth
    assert machine is not None
    assert crane is not None
    assert berth is not None
    told = PositionTable(crane.places["siding"].table).position(arrival["reading"])
    assert told == pytest.approx(machine._first_axis("south", crane.places["siding"]), abs=berth.tolerance)
    assert yard.job("south", "home")["state"] == "done"
    planned: dict[str, Any] = {"reading": arrival["reading"], "arrival": 1, "berth_boot": BOOT}
    fields: dict[str, Any] = {"from_": "stack-s", "from_slot": 0, "to": "siding", "to_slot": 1, "box": "B"}
    assert yard.job("south", "transfer", **fields, **planned)["state"] == "done"
    assert yard.world.boxes == {("siding", 1): "B"}
    train = machine.track.train
    assert yard.job("siding", "depart")["state"] == "done"
    assert train.end_at(machine.track.now_us) > OFF_STAGE, "gone means gone"
    assert yard.job("siding", "admit")["state"] == "done"
    assert yard.state("siding", "train-arrival")["arrival"] == 2
    assert yard.world.gone == ["B"]
    assert not yard.world.accidents


def test_the_steps_of_an_arrival() -> None:
    """BER-02, ORD-16: every state is told."""
    yard = empty_berth()
    yard.job("siding", "admit")
    yard.job("siding", "depart")
    states = [one.body["state"] for one in yard.said if one.message == "train-arrival"]
    changes = [state for number, state in enumerate(states) if number == 0 or state != states[number - 1]]
    assert changes == ["lost", "empty", "admitting", "armed", "at-rest", "leaving", "empty"]
    steps = [r["step"] for r in yard.reports("siding") if "step" in r]
    assert steps == ["approach", "arming-passed", "coasting", "leaving"]


def test_a_hold_on_the_way_in_cuts_the_power_and_costs_only_time() -> None:
    """HLD-03, HLD-05."""
    yard = empty_berth()
    yard.order("siding", "admit")
    yard.run(5_000)
    machine = yard.machines["siding"].track
    assert machine is not None
    for _ in range(3):
        yard.order("siding", "hold")
        assert machine.track.train.power == 0
        yard.run(40_000)
        assert machine.track.train.power == 0
        yard.order("siding", "resume", holds=yard.nodes["siding"].holds)
        yard.run(1_000)
    job = yard.nodes["siding"].job
    assert job is not None
    assert yard.until(lambda: not job.is_open)
    assert job.state == "done", "no time-out ran while it was held"


@pytest.mark.parametrize("before_ms", [100, 1_000, 4_000])
def test_a_hold_on_the_way_out_does_too(before_ms: int) -> None:
    yard = empty_berth()
    yard.job("siding", "admit")
    yard.order("siding", "depart")
    yard.run(before_ms)
    yard.order("siding", "hold")
    yard.run(90_000)
    assert yard.state("siding", "train-arrival")["state"] == "leaving"
    yard.order("siding", "resume", holds=1)
    job = yard.nodes["siding"].job
    assert job is not None
    assert yard.until(lambda: not job.is_open)
    assert job.state == "done"
    machine = yard.machines["siding"].track
    assert machine is not None
    assert machine.track.train.end_at(machine.track.now_us) > OFF_STAGE, "gone means gone"


def test_an_admitted_train_cannot_be_cancelled() -> None:
    """ORD-17: it has moved past return."""
    yard = empty_berth()
    yard.order("siding", "admit")
    yard.run(500)
    assert answers(yard.order("siding", "cancel", ref=yard.ids["siding"]))[0][2:] == ("running", "too-late")


@pytest.mark.parametrize("couplings", [0, 1, 7])
def test_a_train_is_found_and_not_counted(couplings: int) -> None:
    """BER-04, on the bench: any number of pulses before arming, bounce and all [BER-08]."""
    yard = empty_berth(bench=True)
    yard.order("siding", "admit")
    pulse = [("end", True, 50), ("end", False, 1), ("end", True, 1), ("end", False, 50)]
    for _ in range(couplings):
        stimulate(yard, *pulse)
        yard.run(200)
    yard.run(0)
    assert yard.state("siding", "train-arrival")["state"] == "admitting"
    assert yard.state("siding", "train-arrival")["ignored"] == couplings
    stimulate(yard, ("arming", True, 10), ("arming", False, 40), ("end", True, 2_000), ("end", False, 200))
    job = yard.nodes["siding"].job
    assert job is not None
    assert yard.until(lambda: not job.is_open)
    arrival = yard.state("siding", "train-arrival")
    assert (arrival["state"], arrival["ignored"]) == ("at-rest", couplings)
    assert arrival["arm_to_end"] == 2_040, "from arming to end, timed by the node [BEN-02]"


@pytest.mark.parametrize(
    ("inputs", "code"),
    [([], "not-armed"), ([("arming", True, 10), ("arming", False, 50)], "end-missed")],
)
def test_a_train_that_is_not_found_is_lost(inputs: list[tuple[str, bool, int]], code: str) -> None:
    """BER-05, FLT-02."""
    yard = empty_berth(bench=True)
    yard.order("siding", "admit")
    if inputs:
        stimulate(yard, *inputs)
    job = yard.nodes["siding"].job
    assert job is not None
    assert yard.until(lambda: not job.is_open)
    assert job.state == "failed"
    assert yard.state("siding", "train-arrival")["state"] == "lost"
    assert yard.state("siding", "fault")["changed"] == code
    machine = yard.machines["siding"].track
    assert machine is not None
    assert machine.still


def test_a_train_that_nothing_sees_leave_is_stuck() -> None:
    yard = empty_berth(bench=True)
    yard.order("siding", "admit")
    stimulate(yard, ("arming", True, 10), ("arming", False, 40), ("end", True, 500), ("end", False, 50))
    yard.run(10_000)
    assert yard.job("siding", "depart")["state"] == "failed"
    assert yard.state("siding", "fault")["changed"] == "train-stuck"


def test_loss_of_power_loses_a_train_at_rest() -> None:
    """FLT-06."""
    yard = empty_berth()
    yard.job("siding", "admit")
    yard.machines["siding"].cut_power()
    yard.run(10)
    arrival = yard.state("siding", "train-arrival")
    assert arrival["state"] == "lost"
    assert "reading" not in arrival


@pytest.mark.parametrize("held", [False, True])
def test_a_train_that_rolls_in_unordered_makes_the_berth_lost(held: bool) -> None:
    """BER-10: it went on saying 'empty', and would have let another train in."""
    yard = empty_berth(bench=True)
    yard.run(4_000)
    if held:
        yard.order("siding", "hold")
    stimulate(yard, ("end", True, 0), ("end", False, 100))
    yard.run(300)
    assert yard.state("siding", "train-arrival")["state"] == "lost"
    fault = yard.state("siding", "fault")
    assert (fault["active"], fault["part"], fault["faults"]) == (["input-lost"], "end", 1)


def test_a_bounce_and_what_settles_are_no_push() -> None:
    """BER-08, BER-10."""
    yard = empty_berth(bench=True)
    stimulate(yard, ("end", True, 2_000), ("end", False, 500))
    yard.run(4_000)
    stimulate(yard, ("arming", True, 0), ("arming", False, 1))
    yard.run(300)
    assert yard.state("siding", "train-arrival")["state"] == "empty"


def test_a_berth_of_the_first_minor_version_overlooks_it_as_before() -> None:
    yard = empty_berth(bench=True, controller=FirstMinor)
    yard.run(4_000)
    stimulate(yard, ("end", True, 0), ("end", False, 100))
    yard.run(300)
    assert yard.state("siding", "train-arrival")["state"] == "empty"
