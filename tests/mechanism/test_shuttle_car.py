from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from reference_node.mechanism.edge import Edge
from reference_node.mechanism.shuttle_car import ShuttleCar, ShuttleTrack

LINE = ShuttleTrack({"stop-1": 0.0, "stop-2": 600.0, "stop-3": 1500.0}, speed=300.0, acceleration=600.0)


def test_a_run_passes_the_stop_between_and_ends_at_its_own() -> None:
    car = ShuttleCar(LINE, 0.0)
    car.run_to("stop-3")
    edges = car.advance(20_000)
    assert [(edge.sensor, edge.closed) for edge in edges] == [
        ("stop-1", False),
        ("stop-2", True),
        ("stop-2", False),
        ("stop-3", True),
    ]
    assert (car.at, car.moving, car.starts) == ("stop-3", False, 1)
    assert car.levels == {"stop-1": False, "stop-2": False, "stop-3": True}


def test_times_are_those_of_the_textbook() -> None:
    """T = d / v + v / a in all; x = a t^2 / 2 for the first edge, 4 mm on: constant acceleration."""
    car = ShuttleCar(LINE, 0.0)
    car.run_to("stop-2")
    assert car.done_at == pytest.approx(1000 * (600 / 300 + 300 / 600), abs=1)
    assert car.next_edge_us == pytest.approx(1e6 * (2 * 4 / 600) ** 0.5, abs=1)


def test_turning_back_gives_the_same_edges_in_reverse() -> None:
    car = ShuttleCar(LINE, 0.0)
    car.run_to("stop-2")
    edges = car.advance(1000)
    car.run_to("stop-1")
    edges += car.advance(10_000)
    assert [(edge.sensor, edge.closed) for edge in edges] == [("stop-1", False), ("stop-1", True)]
    assert car.starts == 1


def test_stopped_between_stops_it_is_at_none() -> None:
    car = ShuttleCar(LINE, 0.0)
    car.run_to("stop-2")
    car.advance(1000)
    car.stop()
    car.advance(10_000)
    assert (car.at, car.moving) == (None, False)
    assert not any(car.levels.values())


def test_power_off_stands_at_once() -> None:
    car = ShuttleCar(LINE, 0.0)
    car.run_to("stop-2")
    car.advance(1000)
    there = car.true_position
    car.power_off()
    assert car.advance(10_000) == []
    assert car.true_position == there


def test_stops_too_close_together_are_refused() -> None:
    with pytest.raises(ValueError, match="further apart"):
        ShuttleTrack({"stop-1": 0.0, "stop-2": 8.0}, speed=300.0, acceleration=600.0)


@given(st.lists(st.tuples(st.sampled_from(["stop-1", "stop-2", "stop-3"]), st.integers(1, 4000)), max_size=5))
def test_edges_and_levels_agree_and_limits_hold(runs: list[tuple[str, int]]) -> None:
    car, now = ShuttleCar(LINE, 600.0), 0
    told = car.levels
    for stop, wait in runs:
        car.run_to(stop)
        for _ in range(8):
            place, speed = car.true_position, car.speed
            now += wait // 8 + 1
            for edge in car.advance(now):
                assert told[edge.sensor] != edge.closed
                told[edge.sensor] = edge.closed
            took = (wait // 8 + 1) / 1000
            assert told == car.levels
            assert abs(car.speed - speed) <= LINE.acceleration * took + 1e-6
            assert abs(car.true_position - place) <= LINE.speed * took + 1e-6


@given(st.lists(st.integers(1, 900), max_size=30))
def test_edges_do_not_depend_on_the_steps(steps: list[int]) -> None:
    once, often = ShuttleCar(LINE, 0.0), ShuttleCar(LINE, 0.0)
    for car in (once, often):
        car.run_to("stop-3")
    now, edges = 0, list[Edge]()
    for step in [*steps, 20_000]:
        now += step
        edges += often.advance(now)
    assert once.advance(now) == edges


def test_a_car_that_stands_between_is_pushed_to_a_stop() -> None:
    car = ShuttleCar(ShuttleTrack({"a": 0.0, "b": 500.0}, 150.0, 200.0), 0.0)
    car.run_to("b")
    car.advance(1_500)
    car.power_off()
    before = (car.at, car.starts)
    car.push_to("b")
    assert before == (None, 1)
    assert (car.at, car.starts) == ("b", 1)
    assert car.levels == {"a": False, "b": True}
    assert not car.moving
