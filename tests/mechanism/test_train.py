from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from reference_node.mechanism.glide import Glide
from reference_node.mechanism.train import Consist, Locomotive, Train

LOCOMOTIVE = Locomotive(pull=2000.0, damping=6.0, friction=70.0, rolling=0.02)
CONSIST = Consist(LOCOMOTIVE, (240.0, 240.0), mass=1000.0)

pushes = st.one_of(st.floats(-500, -1), st.floats(1, 3000))
glides = st.builds(Glide, speed=st.floats(0, 400), push=pushes, drag=st.floats(0.001, 30))


@given(glides, st.floats(0.001, 5))
def test_a_glide_solves_its_equation_of_motion(glide: Glide, time: float) -> None:
    """dv/dt = push - drag v and dx/dt = v, checked by central differences (numerical analysis textbooks)."""
    step = 1e-4
    if time + step < glide.lasts and time > step:
        slope = (glide.speed_at(time + step) - glide.speed_at(time - step)) / (2 * step)
        assert slope == pytest.approx(glide.push - glide.drag * glide.speed_at(time), rel=1e-3, abs=1e-2)
        speed = (glide.way_at(time + step) - glide.way_at(time - step)) / (2 * step)
        assert speed == pytest.approx(glide.speed_at(time), rel=1e-3, abs=1e-2)


def test_without_drag_it_is_the_textbook_stop() -> None:
    """s = v^2 / 2a and t = v / a, the limit of vanishing drag, any physics textbook."""
    glide = Glide(speed=120.0, push=-60.0, drag=1e-6)
    assert glide.lasts == pytest.approx(120 / 60, rel=1e-5)
    assert glide.reach == pytest.approx(120**2 / (2 * 60), rel=1e-5)


def test_after_one_time_constant_63_percent_of_the_change_is_done() -> None:
    """1 - 1/e: first-order step response, any textbook on control."""
    glide = Glide(speed=0.0, push=500.0, drag=5.0)
    assert glide.speed_at(1 / 5) == pytest.approx((1 - 1 / math.e) * 500 / 5)


@given(glides, st.floats(0.001, 0.999))
def test_time_at_is_the_inverse_of_way_at(glide: Glide, share: float) -> None:
    way = share * min(glide.reach, 3000.0)
    if way > 1e-6:
        assert glide.way_at(glide.time_at(way)) == pytest.approx(way, abs=1e-4)


def test_the_same_power_is_another_speed_for_another_locomotive() -> None:
    """Steady speed (pull * duty - friction) / damping: balance of forces."""
    for locomotive, speed in ((LOCOMOTIVE, 330 / 6), (Locomotive(2600.0, 8.0, 50.0), 470 / 8)):
        train = Train(Consist(locomotive, (), mass=1000.0), 0.0)
        train.drive(20, 0)
        assert train.speed_at(10_000_000) == pytest.approx(speed)


def test_it_rolls_out_after_power_off_and_then_stands() -> None:
    train = Train(CONSIST, 0.0)
    train.drive(40, 0)
    train.drive(0, 5_000_000)
    front, speed = train.front_at(5_000_000), train.speed_at(5_000_000)
    assert train.rests_us is not None
    rest = train.front_at(train.rests_us)
    assert rest > front
    assert rest < front + speed**2 / (2 * 70), "friction alone would let it roll v^2 / 2a; drag shortens that"
    assert train.front_at(train.rests_us + 60_000_000) == rest
    assert train.end_at(train.rests_us) == rest - CONSIST.length


def test_a_driven_train_never_rests() -> None:
    train = Train(CONSIST, 0.0)
    train.drive(40, 0)
    assert train.rests_us is None


def test_too_little_power_does_not_move_it() -> None:
    train = Train(CONSIST, 0.0)
    train.drive(3, 0)
    assert train.front_at(10_000_000) == 0.0
    assert train.time_at(1.0) is None


def test_driven_backwards_it_runs_backwards() -> None:
    train = Train(CONSIST, 500.0)
    train.drive(-40, 0)
    assert train.speed_at(5_000_000) < 0
    assert train.front_at(5_000_000) < 500
    reached = train.time_at(400.0)
    assert reached is not None
    assert train.front_at(reached) == pytest.approx(400.0, abs=1e-3)


def test_the_magnets_of_a_train() -> None:
    """Two a coupling, one under the locomotive, one at the end: common practice, no published source."""
    kinds = [magnet.kind for magnet in CONSIST.magnets]
    assert kinds == ["arming", *["coupling"] * 4, "end"]
    assert [magnet.behind for magnet in CONSIST.magnets] == [20.0, 158.0, 182.0, 398.0, 422.0, 640.0]


def test_power_beyond_full_is_refused() -> None:
    with pytest.raises(ValueError, match="-100 to 100"):
        Train(CONSIST, 0.0).drive(101, 0)


def test_a_locomotive_that_could_not_move_itself_is_refused() -> None:
    with pytest.raises(ValueError, match="pull above friction"):
        Locomotive(pull=50.0, damping=6.0, friction=70.0)
