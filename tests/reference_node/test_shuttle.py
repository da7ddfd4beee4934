"""The shuttle: where it says it stands, and where it really does."""

from __future__ import annotations

from typing import Any

import pytest

from tests.reference_node.yard import BOOT, Yard, answers, homed_crane


def found_shuttle(place: str = "quay-n", **how: Any) -> Yard:
    """A shuttle that a person found at `place`."""
    yard = Yard("ferry", **how)
    yard.order("ferry", "reset-fault", faults=0, place=place)
    return yard


def car_at(yard: Yard) -> str | None:
    machine = yard.machines["ferry"].shuttle
    assert machine is not None
    return machine.car.at


def test_comes_up_lost_whatever_its_sensors_say() -> None:
    """SHT-01, SHT-03, SHT-06."""
    yard = Yard("ferry")
    assert yard.state("ferry", "shuttle-status")["state"] == "lost"
    assert answers(yard.order("ferry", "run", to="quay-s"))[0][3] == "state"
    yard.order("ferry", "reset-fault", faults=0)
    assert yard.state("ferry", "shuttle-status")["state"] == "lost"
    yard.order("ferry", "reset-fault", faults=0, place="quay-n")
    status = yard.state("ferry", "shuttle-status")
    assert (status["state"], status["place"], status["stop"]) == ("at-place", "quay-n", 1)
    assert yard.starts("ferry") == 0, "FLT-05"


def test_runs_to_where_it_is_sent() -> None:
    """SHT-02, SHT-05."""
    yard = found_shuttle()
    for stop, place in enumerate(("quay-s", "quay-n", "quay-s"), start=2):
        assert yard.job("ferry", "run", to=place)["state"] == "done"
        assert car_at(yard) == place
        status = yard.state("ferry", "shuttle-status")
        assert (status["state"], status["place"], status["stop"]) == ("at-place", place, stop)


def test_a_run_to_where_it_stands_is_a_stop_of_its_own() -> None:
    yard = found_shuttle()
    assert yard.job("ferry", "run", to="quay-n")["state"] == "done"
    assert yard.state("ferry", "shuttle-status")["stop"] == 2
    assert yard.starts("ferry") == 0


def test_refuses_a_place_that_it_does_not_serve() -> None:
    """SHT-03."""
    yard = found_shuttle()
    assert answers(yard.order("ferry", "run", to="siding"))[0][3] == "place"


@pytest.mark.parametrize("before_ms", [1, 400, 1_500, 3_900, 4_050])
def test_a_hold_on_the_way_costs_only_time(before_ms: int) -> None:
    """HLD-03, HLD-05."""
    yard = found_shuttle()
    yard.order("ferry", "run", to="quay-s")
    yard.run(before_ms)
    yard.order("ferry", "hold")
    yard.run(60_000)
    machine = yard.machines["ferry"].shuttle
    assert machine is not None
    assert machine.still
    yard.order("ferry", "resume", holds=1)
    job = yard.nodes["ferry"].job
    assert job is not None
    assert yard.until(lambda: not job.is_open)
    assert job.state == "done"
    assert car_at(yard) == "quay-s"


def test_a_stop_that_never_comes_is_missed() -> None:
    """SHT-04, on the bench: the sensor of another stop is none."""
    yard = found_shuttle(bench=True)
    yard.order("ferry", "run", to="quay-s")
    yard.order("ferry", "stimulus", inputs=[["stop-1", True, 10], ["stop-1", False, 50]])
    job = yard.nodes["ferry"].job
    assert job is not None
    assert yard.until(lambda: not job.is_open)
    assert job.state == "failed"
    assert yard.state("ferry", "fault")["active"] == ["stop-missed"]
    assert yard.state("ferry", "shuttle-status")["state"] == "lost"
    yard.run(2_000)
    machine = yard.machines["ferry"].shuttle
    assert machine is not None
    assert machine.still


def test_a_bounce_shorter_than_the_debounce_is_no_stop() -> None:
    """BEN-02: stimuli pass through the node's own debounce."""
    yard = found_shuttle(bench=True)
    yard.order("ferry", "run", to="quay-s")
    yard.order("ferry", "stimulus", inputs=[["stop-2", True, 50], ["stop-2", False, 2]])
    yard.run(1_000)
    assert yard.state("ferry", "shuttle-status")["state"] == "moving"
    yard.order("ferry", "stimulus", inputs=[["stop-2", True, 0]])
    yard.run(2_000)
    assert yard.state("ferry", "shuttle-status")["place"] == "quay-s"


def test_a_crane_finds_the_deck_only_where_the_shuttle_really_stands() -> None:
    """The person was wrong about the place: the box is let go where no deck is, and the truth shows it."""
    yard = homed_crane(boxes={("stack-n", 1): "B", ("stack-n", 0): "A"})
    wrong = Yard("north", "ferry", boxes={("stack-n", 0): "B"})
    assert wrong.job("north", "home")["state"] == "done"
    wrong.order("ferry", "reset-fault", faults=0, place="quay-n")
    assert wrong.job("ferry", "run", to="quay-s")["state"] == "done"
    fields: dict[str, Any] = {"from_": "stack-n", "from_slot": 0, "to": "ferry", "to_slot": 0, "box": "B"}
    wrong.job("north", "transfer", **fields, stop=2, shuttle_boot=BOOT)
    assert wrong.world.boxes == {}
    assert len(wrong.world.accidents) == 1
    assert not yard.world.accidents


def test_a_box_crosses_the_yard() -> None:
    """Stack, deck, across, stack: three machines and one truth."""
    yard = Yard("north", "south", "ferry", boxes={("stack-n", 0): "B"})
    for crane in ("north", "south"):
        assert yard.job(crane, "home")["state"] == "done"
    yard.order("ferry", "reset-fault", faults=0, place="quay-n")
    load: dict[str, Any] = {"from_": "stack-n", "from_slot": 0, "to": "ferry", "to_slot": 0, "box": "B"}
    assert yard.job("north", "transfer", **load, stop=1, shuttle_boot=BOOT)["state"] == "done"
    assert yard.world.boxes == {("ferry", 0): "B"}
    assert yard.job("ferry", "run", to="quay-s")["state"] == "done"
    unload: dict[str, Any] = {"from_": "ferry", "from_slot": 0, "to": "stack-s", "to_slot": 0, "box": "B"}
    assert yard.job("south", "transfer", **unload, stop=2, shuttle_boot=BOOT)["state"] == "done"
    assert yard.world.boxes == {("stack-s", 0): "B"}
    assert not yard.world.accidents


def test_a_shuttle_that_is_pushed_off_its_stop_is_lost() -> None:
    """SHT-07: it went on saying 'at-place', and a crane would have put its box into the water."""
    yard = found_shuttle(bench=True)
    yard.order("ferry", "stimulus", inputs=[["stop-1", True, 0]])
    yard.run(4_000)
    assert yard.state("ferry", "shuttle-status")["state"] == "at-place"
    yard.order("ferry", "stimulus", inputs=[["stop-1", False, 0]])
    yard.run(100)
    assert yard.state("ferry", "shuttle-status")["state"] == "lost"
    fault = yard.state("ferry", "fault")
    assert (fault["active"], fault["part"], fault["faults"]) == (["input-lost"], "stop-1", 1)


def test_a_lost_shuttle_may_be_pushed_without_end() -> None:
    """A person who measures does it there: the sensors are told, and nothing new is wrong."""
    yard = Yard("ferry", bench=True)
    yard.run(4_000)
    for level in (True, False, True):
        yard.order("ferry", "stimulus", inputs=[["stop-2", level, 0]])
        yard.run(100)
    assert yard.state("ferry", "fault")["faults"] == 0
