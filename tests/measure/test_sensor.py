"""The interval of the arming sensor, against every train at every speed, place by place."""

from __future__ import annotations

import random
from itertools import product

import numpy as np
import pytest

from conformance.measure.sensor.drawing import drawing
from conformance.measure.sensor.interval import answer, window_of
from conformance.measure.sensor.statements import TrackStatement, TrainStatement, read_statements
from protocol.trouble import Trouble

TRACK = TrackStatement(arming=400, reach=9, surely=2, debounce_ms=4, bounce_ms=1, tolerance=0)
TRAINS = (
    TrainStatement("short", 20, 420, (110, 134), (60,), fastest=150, coasts=25),
    TrainStatement("long", 35, 700, (158, 182, 330, 354), fastest=240, coasts=70),
    TrainStatement("motor-first", 50, 600, (200, 224), (15,), fastest=90, coasts=10),
)


def _runs_well(track: TrackStatement, train: TrainStatement, place: float) -> bool:
    """Drive the train in at every speed and with every reach, in small steps, and see what a berth would make of it."""
    step = 0.25
    front = np.arange(-30, place + train.end + 60, step)
    speeds = [train.fastest * share for share in (0.02, 0.3, 0.6, 1.0)]
    for speed, early, late in product(speeds, (track.reach, track.surely), (track.reach, track.surely)):
        wait = speed * (track.debounce_ms + track.bounce_ms) / 1000
        others = [one for one in train.passing if one != train.arming]
        at_arming = np.abs(front - train.arming - place) <= early
        if early == track.reach:  # What may close a sensor has closed it.
            for behind in others:
                at_arming |= np.abs(front - behind - place) <= early
        armed = front[np.argmax(at_arming)] + np.array([0.0, wait])
        at_end = np.zeros(len(front), dtype=bool)
        for behind in train.passing:
            at_end |= np.abs(front - behind - track.end) <= late
        last_coupling = front[np.flatnonzero(at_end)[-1]] + wait
        end_magnet = front[np.argmax(np.abs(front - train.end - track.end) <= late)]
        if last_coupling >= armed[0] or end_magnet <= armed[1] + train.coasts:
            return False
    return True


@pytest.mark.parametrize("train", TRAINS, ids=lambda train: train.name)
def test_interval_against_every_run(train: TrainStatement) -> None:
    """What lies in the window runs well; what lies further outside than steps and debouncing does not."""
    window = window_of(TRACK, train)
    places = np.arange(window.low - 30, window.high + 30, 2.5)
    good = [float(place) for place in places if _runs_well(TRACK, train, float(place))]
    inside = [float(place) for place in places if window.low + 0.5 <= place <= window.high - 0.5]
    assert inside
    assert set(inside) <= set(good)
    allowed = 3.0 + train.fastest * 0.005
    # The upper limit is that of an arming magnet that has to be over the sensor; the runs know only two reaches.
    assert window.low - allowed <= min(good)
    assert max(good) <= window.high + allowed + 2 * TRACK.surely


def test_all_trains_and_the_worst() -> None:
    found = answer(TRACK, TRAINS)
    assert found.low == max(window.low for window in found.windows)
    assert found.high == min(window.high for window in found.windows)
    assert found.margin == min(found.worst.margin(400), 400 - found.low, found.high - 400)
    drawn = drawing(TRACK, found)
    assert drawn.count('class="train"') == 3
    assert "nan" not in drawn


def test_tolerance_counts_against_the_place() -> None:
    loose = TrackStatement(arming=400, reach=9, surely=2, debounce_ms=4, bounce_ms=1, tolerance=3)
    tight, wide = window_of(loose, TRAINS[0]), window_of(TRACK, TRAINS[0])
    assert (tight.low - wide.low, wide.high - tight.high) == (6, 6)


def test_a_train_of_another_length_leaves_no_place() -> None:
    found = answer(TRACK, (*TRAINS, TrainStatement("stub", 20, 190, (150, 174), fastest=50)))
    assert not found.exists
    assert found.margin is not None
    assert found.margin < 0


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "track: no table"),
        ("[track]\n[trains]\n", "no train"),
        ("[track]\nreech = 1\n[trains.a]\narming = 1\nend = 9\n", "reech unknown"),
        ("[track]\nreach = -1\n[trains.a]\narming = 1\nend = 9\n", "track.reach: no figure"),
        ("[track]\n[trains.a]\narming = 1\n", "end missing"),
        ("[track]\n[trains.a]\narming = 1\nend = 9\ncouplings = [10]\n", "a magnet lies behind it"),
        ("[track]\nsurely = 20\n[trains.a]\narming = 1\nend = 9\n", "more than track.reach"),
        ("[track\n", "Expected"),
    ],
)
def test_mistakes_are_told(text: str, told: str) -> None:
    with pytest.raises(Trouble, match=told):
        read_statements(text.encode(), "trains.toml")


@pytest.mark.slow
@pytest.mark.exhaustive
def test_interval_over_a_thousand_sets_of_trains() -> None:
    """Trains from seeds, each magnet off by as much as is allowed: a bound holds in every one."""
    judged = 0
    for seed in range(1000):
        judged += _holds(seed)
    assert judged >= 500


def test_interval_over_some_sets_of_trains() -> None:
    assert sum(_holds(seed) for seed in range(20)) >= 10


def _holds(seed: int) -> bool:
    """Whether there was a window; what lies in it runs well, wherever magnets and sensors really are."""
    rng = random.Random(seed)
    track = TrackStatement(0, reach=rng.uniform(4, 14), surely=2, debounce_ms=4, bounce_ms=1, tolerance=2)
    first = rng.uniform(100, 250)
    couplings = (first, first + 24, first + rng.uniform(120, 260))
    train = TrainStatement(
        "t", rng.uniform(10, 60), couplings[-1] + rng.uniform(60, 260), couplings, (rng.uniform(10, 90),),
        fastest=rng.uniform(40, 250), coasts=rng.uniform(0, 60),
    )  # fmt: skip
    window = window_of(track, train)
    if window.high - window.low < 2:
        return False

    def really(place: float) -> float:
        return place + rng.choice([-1, 1]) * track.tolerance

    true = TrainStatement(
        "t", really(train.arming), really(train.end), tuple(map(really, couplings)), tuple(map(really, train.motor)),
        train.fastest, train.coasts,
    )  # fmt: skip
    for place in (window.low + 0.5, (window.low + window.high) / 2, window.high - 0.5):
        assert _runs_well(track, true, place), (seed, place)
    return True
