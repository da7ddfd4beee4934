from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from reference_node.sensing.rest_reading import READING_LIMIT, Passage, PassageGeometry, rest_reading

STEADY = PassageGeometry(settling_us=0)


def passage(speed: float, deceleration: float, lag: float, geometry: PassageGeometry = STEADY) -> Passage:
    """What sensors tell of a train in um and s: x = v t - a t^2 / 2 after the cut, any physics textbook."""
    rest = speed * lag + speed**2 / (2 * deceleration)
    closed = None
    if rest > geometry.window_um:
        left = geometry.window_um - speed * lag
        # The earlier root of v t - a t^2 / 2 = left.
        braked = (speed - math.sqrt(speed**2 - 2 * deceleration * left)) / deceleration
        closed = round(1e6 * (lag + braked))
    return Passage(round(1e6 * geometry.run_um / speed), round(1e6 * lag), closed)


@given(st.floats(40_000, 120_000), st.floats(40_000, 200_000), st.floats(0, 0.02))
def test_it_is_exact_for_constant_deceleration(speed: float, deceleration: float, lag: float) -> None:
    way = speed * lag + speed**2 / (2 * deceleration)
    if way > STEADY.window_um * 1.02:
        assert rest_reading(passage(speed, deceleration, lag), STEADY) == pytest.approx(
            way / 100, rel=5e-3, abs=1
        )


def test_a_train_at_rest_over_the_sensor_gets_the_usual_deceleration() -> None:
    """v^2 / 2a = 40^2 / (2 * 80) = 10 mm, any physics textbook."""
    assert rest_reading(Passage(4_000_000, 0, None), STEADY) == 100


def test_and_never_more_than_the_window() -> None:
    assert rest_reading(Passage(2_000_000, 0, None), STEADY) == 140


@pytest.mark.parametrize(
    "told", [Passage(0, 0, None), Passage(1, 5_000, 10), Passage(20_000_000, 3_000, 1), Passage(0, 0, 1, 99)]
)
def test_nonsense_stays_in_range(told: Passage) -> None:
    assert 0 <= rest_reading(told, PassageGeometry()) <= READING_LIMIT


@pytest.mark.parametrize("wrong", [{"run_um": 0}, {"settling_us": -1}, {"deceleration_um_s2": 1}])
def test_a_geometry_that_cannot_be_is_refused(wrong: dict[str, int]) -> None:
    with pytest.raises(ValueError, match="must be positive"):
        PassageGeometry(**wrong)
