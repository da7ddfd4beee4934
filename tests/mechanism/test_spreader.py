from __future__ import annotations

import random

import pytest

from reference_node.mechanism.spreader import Spreader


def spreader(**options: float | bool) -> Spreader:
    return Spreader(random.Random(1), 400, **options)  # type: ignore[arg-type]


def seen(fingers: Spreader) -> tuple[str, str | None, bool | None]:
    return fingers.state, fingers.holds, fingers.load_sensor


def test_closing_over_a_box_takes_it_after_the_travel_time() -> None:
    fingers = spreader()
    fingers.close("box-1")
    fingers.advance(399)
    assert seen(fingers) == ("closing", None, False)
    assert fingers.done_at == 400
    fingers.advance(400)
    assert seen(fingers) == ("closed", "box-1", True)
    assert not fingers.moving


def test_opening_sets_the_box_down_once() -> None:
    fingers = spreader()
    fingers.close("box-1")
    fingers.advance(400)
    fingers.open()
    fingers.advance(799)
    assert fingers.take_dropped() is None
    fingers.advance(800)
    assert fingers.take_dropped() == "box-1"
    assert fingers.take_dropped() is None
    assert (fingers.state, fingers.holds, fingers.starts) == ("open", None, 2)


def test_a_scripted_miss_happens_once() -> None:
    fingers = spreader()
    fingers.misses_to_come = 1
    held = []
    for start in (0, 1000):
        fingers.close("box-1")
        fingers.advance(start + 400)
        held.append(fingers.holds)
        fingers.open()
        fingers.advance(start + 800)
    assert held == [None, "box-1"]


def grips(seed: int, tries: int = 400) -> list[bool]:
    fingers = Spreader(random.Random(seed), 10, misses=0.25)
    found = []
    for start in range(0, 20 * tries, 20):
        fingers.close("box-1")
        fingers.advance(start + 10)
        found.append(fingers.holds is not None)
        fingers.open()
        fingers.advance(start + 20)
    return found


def test_misses_come_as_often_as_asked_and_again_from_the_same_seed() -> None:
    """400 tries at 0.25: the standard deviation is sqrt(400 * 0.25 * 0.75) = 8.7 (binomial distribution)."""
    assert grips(7) == grips(7)
    assert grips(7) != grips(8)
    assert abs(grips(7).count(False) - 100) < 4 * 8.7


def test_without_a_load_sensor_nothing_is_told() -> None:
    fingers = spreader(senses_load=False)
    fingers.close("box-1")
    fingers.advance(400)
    assert fingers.load_sensor is None
    assert fingers.holds == "box-1"


def test_power_off_keeps_hold_of_a_box() -> None:
    fingers = spreader()
    fingers.close("box-1")
    fingers.advance(400)
    fingers.open()
    fingers.advance(500)
    fingers.power_off()
    fingers.advance(5000)
    assert (fingers.state, fingers.holds) == ("closed", "box-1")


def test_a_command_that_is_obeyed_already_switches_nothing_on() -> None:
    fingers = spreader()
    fingers.open()
    assert fingers.starts == 0
    fingers.close(None)
    fingers.close("box-1")
    fingers.advance(400)
    assert (fingers.starts, fingers.holds) == (1, None)


def test_values_that_make_no_spreader_are_refused() -> None:
    with pytest.raises(ValueError, match="chance of a miss"):
        spreader(misses=1.1)
