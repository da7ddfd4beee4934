from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from reference_node.mechanism.axis import Axis, AxisLimits

LIMITS = AxisLimits(low=-30, high=900, home=0, speed=250, acceleration=500, seek_speed=100, creep_speed=10)


def homed_axis(standing: float = 400.0) -> Axis:
    axis = Axis(LIMITS, standing)
    axis.seek_home()
    assert axis.done_at is not None
    axis.advance(axis.done_at)
    return axis


def test_the_count_starts_at_zero_wherever_the_axis_stands() -> None:
    axis = Axis(LIMITS, 412.0)
    assert (axis.position, axis.homed, axis.moving, axis.home_switch) == (0, False, False, False)


@pytest.mark.parametrize("standing", [-30.0, -5.0, 0.0, 0.5, 3.0, 400.0, 900.0])
def test_homing_sets_the_count_to_machine_coordinates(standing: float) -> None:
    axis = homed_axis(standing)
    assert axis.homed
    assert not axis.moving
    assert not axis.home_switch
    assert axis.at_target
    assert axis.position == pytest.approx(axis.true_position, abs=0.5)
    assert axis.starts == 1


def test_homing_takes_as_long_as_the_textbook_says() -> None:
    """To the switch d / v + v / 2a, brake v / a; back v^2 / 2a at w with the ramps: constant acceleration."""
    seek, creep, acceleration = 100.0, 10.0, 500.0
    approach = 400 / seek + seek / (2 * acceleration) + seek / acceleration
    overrun = seek**2 / (2 * acceleration)
    back = overrun / creep + creep / (2 * acceleration) + creep / acceleration
    axis = Axis(LIMITS, 400.0)
    axis.seek_home()
    assert axis.done_at == pytest.approx(1000 * (approach + back), abs=1)


def test_homing_that_is_interrupted_leaves_the_axis_unhomed() -> None:
    axis = homed_axis()
    axis.move_to(500)
    axis.advance(axis.done_at or 0)
    axis.seek_home()
    axis.advance(axis.done_at - 1500 if axis.done_at else 0)
    axis.stop()
    axis.advance(100_000)
    assert not axis.homed


def test_a_dead_home_switch_is_not_found() -> None:
    axis = Axis(LIMITS, 400.0)
    axis.switch_works = False
    axis.seek_home()
    axis.advance(60_000)
    assert not axis.moving
    assert not axis.homed
    assert axis.true_position == pytest.approx(LIMITS.low)


def test_a_move_takes_as_long_as_a_trapezoid() -> None:
    """T = d / v + v / a, trapezoidal profile, any robotics textbook on trajectories."""
    axis = homed_axis()
    start, began = axis.true_position, axis.now_ms
    axis.move_to(800)
    assert axis.done_at == pytest.approx(began + 1000 * ((800 - start) / 250 + 250 / 500), abs=1)
    axis.advance(axis.done_at or 0)
    assert axis.at_target


def test_stop_takes_v_squared_over_twice_a() -> None:
    """s = v^2 / 2a, any physics textbook."""
    axis = homed_axis()
    axis.move_to(800)
    axis.advance(axis.now_ms + 1500)
    before = axis.true_position
    assert axis.speed == 250
    axis.stop()
    axis.advance(axis.done_at or 0)
    assert axis.true_position - before == pytest.approx(250**2 / (2 * 500))
    assert axis.at_target


def test_a_retarget_is_the_same_motor_start() -> None:
    axis = homed_axis()
    axis.move_to(800)
    axis.advance(axis.now_ms + 500)
    axis.move_to(100)
    assert axis.starts == 2
    axis.advance(axis.done_at or 0)
    axis.move_to(100)
    assert axis.starts == 2, "nothing to do, nothing switched on"
    assert axis.position == 100


def test_power_off_stands_at_once_and_loses_the_count() -> None:
    axis = homed_axis()
    axis.move_to(800)
    axis.advance(axis.now_ms + 700)
    there = axis.true_position
    axis.power_off()
    axis.advance(axis.now_ms + 60_000)
    assert axis.true_position == there
    assert (axis.homed, axis.moving, axis.at_target) == (False, False, False)


def test_a_homed_axis_refuses_what_it_cannot_reach() -> None:
    axis = homed_axis()
    with pytest.raises(ValueError, match="901 lies outside the axis, -30 to 900"):
        axis.move_to(901)
    assert not axis.moving


def test_an_unhomed_axis_meets_its_end_and_is_not_at_target() -> None:
    axis = Axis(LIMITS, 850.0)
    axis.move_to(200)
    axis.advance(60_000)
    assert axis.true_position == pytest.approx(900)
    assert not axis.at_target


def test_time_does_not_run_backwards() -> None:
    axis = Axis(LIMITS, 0.0)
    axis.advance(10)
    with pytest.raises(ValueError, match="time runs forward"):
        axis.advance(9)


@pytest.mark.parametrize(
    ("wrong", "says"),
    [
        ({"home": -30}, "must lie between low -30 and high 900"),
        ({"acceleration": 0}, "must be positive"),
        ({"seek_speed": 251}, "not be faster than the axis"),
        ({"seek_speed": 200}, "past the low end"),
        ({"creep_speed": 250, "high": 50}, "past the high end"),
    ],
)
def test_limits_that_make_no_axis_are_refused(wrong: dict[str, int], says: str) -> None:
    right = {
        "low": -30,
        "high": 900,
        "home": 0,
        "speed": 250,
        "acceleration": 500,
        "seek_speed": 100,
        "creep_speed": 10,
    }
    AxisLimits(**right)
    with pytest.raises(ValueError, match=says):
        AxisLimits(**(right | wrong))


commands = st.lists(
    st.tuples(st.sampled_from(["move", "stop", "home"]), st.integers(-30, 900), st.integers(1, 3000)),
    min_size=1,
    max_size=6,
)


@given(st.floats(-30, 900), commands)
def test_no_command_makes_an_axis_break_its_limits(
    standing: float, orders: list[tuple[str, int, int]]
) -> None:
    """Speed changes by at most a * dt and place by at most v * dt, whatever is commanded in mid-move."""
    axis = homed_axis(standing)
    for order, target, wait in orders:
        if order == "move" and axis.homed:
            axis.move_to(target)
        elif order == "stop":
            axis.stop()
        elif order == "home":
            axis.seek_home()
        for step in range(1, 11):
            place, speed, then = axis.true_position, axis.speed, axis.now_ms
            axis.advance(then + max(1, wait * step // 100))
            took = (axis.now_ms - then) / 1000
            assert abs(axis.speed) <= LIMITS.speed + 1e-6
            assert abs(axis.speed - speed) <= LIMITS.acceleration * took + 1e-6
            assert abs(axis.true_position - place) <= LIMITS.speed * took + 1e-6


@given(st.integers(-30, 900), st.lists(st.integers(1, 400), max_size=20))
def test_a_jump_over_time_equals_many_steps(target: int, steps: list[int]) -> None:
    jumping, stepping = homed_axis(), homed_axis()
    for axis in (jumping, stepping):
        axis.move_to(target)
    for step in steps:
        stepping.advance(stepping.now_ms + step)
    jumping.advance(stepping.now_ms)
    assert jumping.true_position == stepping.true_position
    assert jumping.speed == stepping.speed
