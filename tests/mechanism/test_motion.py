from __future__ import annotations

import math
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from reference_node.mechanism.motion import MotionProfile

places = st.floats(-5000, 5000)
speeds = st.floats(-300, 300)
limits = st.floats(1, 300)
accelerations = st.floats(1, 2000)


def test_stopping_distance_is_v_squared_over_twice_a() -> None:
    """v^2 = v0^2 + 2 a s with v = 0, kinematics of constant acceleration, any physics textbook."""
    plan = MotionProfile(0.0, 120.0)
    plan.ramp(0.0, 300.0)
    assert plan.final_position == pytest.approx(120.0**2 / (2 * 300.0))
    assert plan.ends == pytest.approx(120.0 / 300.0)


def test_a_long_move_is_a_trapezoid() -> None:
    """T = d / v + v / a for d >= v^2 / a: trapezoidal profile, any robotics textbook on trajectories."""
    plan = MotionProfile(0.0)
    plan.travel(1000.0, speed=200.0, acceleration=400.0)
    assert plan.ends == pytest.approx(1000 / 200 + 200 / 400)
    assert plan.speed_at(plan.ends / 2) == 200.0
    assert plan.position_at(plan.ends / 2) == pytest.approx(500.0)
    assert [phase.acceleration for phase in plan.phases] == [400.0, 0.0, -400.0]


def test_a_short_move_is_a_triangle() -> None:
    """T = 2 sqrt(d / a), peak speed sqrt(a d), for d < v^2 / a: triangular profile, the same textbooks."""
    plan = MotionProfile(0.0)
    plan.travel(-25.0, speed=200.0, acceleration=400.0)
    assert plan.ends == pytest.approx(2 * math.sqrt(25 / 400))
    assert plan.speed_at(plan.ends / 2) == pytest.approx(-math.sqrt(400 * 25))


def test_what_cannot_stop_in_time_overshoots_and_comes_back() -> None:
    """100 mm/s at 100 mm/s^2 stops after 50 mm (v^2 / 2 a); from there 40 mm back take 2 sqrt(40 / 100) s."""
    plan = MotionProfile(0.0, 100.0)
    plan.travel(10.0, speed=200.0, acceleration=100.0)
    assert plan.position_at(1.0) == pytest.approx(50.0)
    assert plan.ends == pytest.approx(1.0 + 2 * math.sqrt(40 / 100))
    assert plan.final_position == pytest.approx(10.0)


@given(places, speeds, places, limits, accelerations)
def test_a_plan_ends_at_rest_at_its_target(
    start: float, speed: float, target: float, limit: float, acceleration: float
) -> None:
    plan = MotionProfile(start, speed)
    plan.travel(target, limit, acceleration)
    assert plan.final_position == pytest.approx(target, abs=1e-5)
    assert plan.final_speed == pytest.approx(0.0, abs=1e-6)


@given(places, speeds, places, limits, accelerations)
def test_limits_hold_and_nothing_jumps(
    start: float, speed: float, target: float, limit: float, acceleration: float
) -> None:
    plan = MotionProfile(start, speed)
    plan.travel(target, limit, acceleration)
    steps = [plan.ends * step / 200 for step in range(201)]
    fastest = max(limit, abs(speed))
    assert all(abs(plan.speed_at(time)) <= fastest + 1e-6 for time in steps)
    for before, after in pairwise(steps):
        took = after - before
        assert abs(plan.speed_at(after) - plan.speed_at(before)) <= acceleration * took + 1e-6
        assert abs(plan.position_at(after) - plan.position_at(before)) <= fastest * took + 1e-6


@given(places, places, limits, accelerations, st.floats(0.05, 0.95))
def test_a_crossing_is_where_the_plan_says_it_is(
    start: float, target: float, limit: float, acceleration: float, share: float
) -> None:
    plan = MotionProfile(start)
    plan.travel(target, limit, acceleration)
    between = start + share * (target - start)
    if abs(target - start) > 1e-3:
        times = plan.crossings(between)
        assert times
        assert all(plan.position_at(time) == pytest.approx(between, abs=1e-5) for time in times)
