from __future__ import annotations

import random
from collections.abc import Iterable
from functools import cache

import pytest
from hypothesis import given
from hypothesis import strategies as st

from protocol.position_table import OutsideTable, PositionTable
from reference_node.mechanism.edge import Edge
from reference_node.mechanism.track import Track
from reference_node.sensing.arrival import Arrival, ArrivalSettings
from tests.examples import examples
from tests.mechanism.counting_berth import CountingBerth
from tests.mechanism.siding import Engine, bring_in, siding

SETTINGS = ArrivalSettings()
TOLERANCE_MM = 2.0
COARSE_MM = 4.0
"""For trains drawn at random, a slow main loop, or a hold on the way."""
RAIL_TO_AXIS_MM = 500.0
"""Where on the crane's axis the end sensor lies; the axis counts tenths of a millimetre."""

TUNED = Engine(creep=55, coasts=80, lag=0.14, mass=1000)
"""The train that a counting berth was tuned with."""

FLEET = {
    "light shunter": Engine(creep=48, coasts=75, lag=0.07, mass=620, wagons=(480, 480)),
    "heavy freight": Engine(creep=60, coasts=70, lag=0.22, mass=1500),
    "strong motor": Engine(creep=70, coasts=85, lag=0.10, mass=1100, noise=10),
    "weak motor": Engine(creep=46, coasts=65, lag=0.18, mass=900, noise=5),
    "long coaster": Engine(creep=65, coasts=58, lag=0.16, mass=1300),
    "stiff gears": Engine(creep=58, coasts=105, lag=0.09, mass=800),
    "open motor": Engine(creep=54, coasts=78, lag=0.12, mass=950, motor_magnet=0.7),
    "noisy brushes": Engine(creep=57, coasts=80, lag=0.15, mass=1050, noise=40),
    "three long wagons": Engine(creep=52, coasts=72, lag=0.14, mass=980, wagons=(320, 320, 320)),
    "mixed wagons": Engine(creep=64, coasts=90, lag=0.13, mass=1200, wagons=(160, 250, 300, 250), noise=20),
    "standing magnets": Engine(creep=56, coasts=76, lag=0.17, mass=1150, coupling_lobes=1),
    "everything at once": Engine(
        creep=66, coasts=95, lag=0.20, mass=1400, wagons=(120, 120, 230, 230, 260), motor_magnet=0.9, noise=30
    ),
}


def arrive(engine: Engine, seed: int, arrival_settings: ArrivalSettings = SETTINGS) -> tuple[Arrival, Track]:
    track, arrival = siding(engine, seed), Arrival(arrival_settings)
    arrival.begin(0, track.levels)
    bring_in(track, arrival)
    return arrival, track


def true_axis_mm(track: Track) -> float:
    """Where the end of the last wagon really stands, on the crane's axis."""
    return RAIL_TO_AXIS_MM + track.train.end_at(track.now_us)


@cache
def measured_table() -> PositionTable:
    """What an installer does once: bring in one locomotive, loaded and driven differently, and measure."""
    points = []
    for number in range(8):
        engine = Engine(creep=40 + 5 * number, coasts=95 - 5 * number, lag=0.14, mass=1000)
        arrival, track = arrive(engine, 100 + number)
        assert arrival.reading is not None
        points.append((arrival.reading, round(10 * true_axis_mm(track))))
    return PositionTable(tuple(points))


@pytest.mark.parametrize("name", FLEET)
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_any_train_rests_where_the_reading_says(name: str, seed: int) -> None:
    """BER-09, against the truth of the simulation, through a table measured with none of these trains."""
    arrival, track = arrive(FLEET[name], seed)
    assert (arrival.state, arrival.reason, arrival.power) == ("at-rest", None, 0)
    assert arrival.reading is not None
    assert track.train.speed_at(track.now_us) == 0, "at rest only once it rests"
    told_mm = measured_table().position(arrival.reading) / 10
    assert told_mm == pytest.approx(true_axis_mm(track), abs=TOLERANCE_MM)


def test_trains_drawn_at_random_do_too() -> None:
    rng = random.Random(2024)
    for seed in range(60):
        engine = Engine(
            creep=rng.uniform(44, 68),
            coasts=rng.uniform(58, 105),
            lag=rng.uniform(0.06, 0.22),
            mass=rng.uniform(600, 1500),
            wagons=rng.choice([(240,) * 4, (320,) * 3, (230, 250, 230, 250), (480, 480)]),
            motor_magnet=rng.choice([0, 0.5, 0.9]),
            noise=rng.uniform(0, 40),
        )
        arrival, track = arrive(engine, seed)
        assert arrival.reading is not None, engine
        told_mm = measured_table().position(arrival.reading) / 10
        assert told_mm == pytest.approx(true_axis_mm(track), abs=COARSE_MM), engine


@pytest.mark.parametrize("loop_ms", [5, 20])
def test_a_slow_main_loop_costs_little(loop_ms: int) -> None:
    """Edges are stamped when they come, but handled, and the power cut, only once a loop."""
    for engine in FLEET.values():
        track, arrival = siding(engine, 1), Arrival(SETTINGS)
        arrival.begin(0, track.levels)
        for now_ms in range(0, 60_000, loop_ms):
            for edge in track.advance(now_ms * 1000):
                arrival.edge(edge)
            arrival.tick(now_ms)
            track.drive(arrival.power)
        assert arrival.reading is not None
        told_mm = measured_table().position(arrival.reading) / 10
        assert told_mm == pytest.approx(true_axis_mm(track), abs=COARSE_MM)


def test_the_fleet_really_rests_in_different_places() -> None:
    """Else a constant would do, and the reading would prove nothing."""
    rests = [true_axis_mm(arrive(engine, 1)[1]) for engine in FLEET.values()]
    assert max(rests) - min(rests) > 4 * TOLERANCE_MM


def test_a_counting_berth_is_right_for_the_train_it_was_tuned_with() -> None:
    """So what follows is the fault of counting, not of a straw man."""
    for seed in (1, 2, 3):
        berth, track = count(TUNED, seed)
        assert berth.stopped
        assert track.train.end_at(track.now_us) == pytest.approx(rest_of(TUNED, seed), abs=TOLERANCE_MM)


def rest_of(engine: Engine, seed: int) -> float:
    _, track = arrive(engine, seed)
    return track.train.end_at(track.now_us)


def count(engine: Engine, seed: int) -> tuple[CountingBerth, Track]:
    tuned, _ = arrive(TUNED, seed)
    track, berth = siding(engine, seed), CountingBerth(tuned.ignored + 1, SETTINGS)
    bring_in(track, berth)
    return berth, track


def test_counting_goes_wrong_where_finding_does_not() -> None:
    """Two magnets a coupling, a motor that trips the sensor too: common practice, no published source."""
    wrong = set()
    for name, engine in FLEET.items():
        berth, track = count(engine, 1)
        if not berth.stopped or abs(track.train.end_at(track.now_us) - rest_of(engine, 1)) > 50:
            wrong.add(name)
    assert wrong >= {"light shunter", "open motor", "three long wagons", "standing magnets"}
    assert "heavy freight" not in wrong, "the same count of pulses is counted rightly"


def test_what_was_ignored_is_counted_and_differs_from_train_to_train() -> None:
    ignored = {name: arrive(engine, 1)[0].ignored for name, engine in FLEET.items()}
    assert ignored["open motor"] == ignored["heavy freight"] + 1
    assert ignored["standing magnets"] == 1 + 2 * 4, "arming magnet, two magnets at each of four couplings"
    assert len(set(ignored.values())) >= 4


def test_the_berth_knows_nothing_but_edges_and_uptime() -> None:
    """Replaying the edges of a passage, with no train there, gives the same reading."""
    arrival, _ = arrive(FLEET["mixed wagons"], 4)
    track, again = siding(FLEET["mixed wagons"], 4), Arrival(SETTINGS)
    again.begin(0, track.levels)
    edges = bring_in(track, again)
    alone = Arrival(SETTINGS)
    alone.begin(0, {"arming": False, "end": False})
    feed(alone, edges, until_ms=60_000)
    assert (alone.state, alone.ignored) == ("at-rest", arrival.ignored)
    assert alone.reading == again.reading == arrival.reading
    assert alone.arm_to_end_ms == arrival.arm_to_end_ms


def test_a_train_beyond_the_table_is_refused_not_guessed() -> None:
    arrival, _ = arrive(Engine(creep=90, coasts=45, lag=0.12, mass=1500), 1)
    assert arrival.reading is not None
    with pytest.raises(OutsideTable):
        measured_table().position(arrival.reading)


def feed(arrival: Arrival, edges: Iterable[Edge], until_ms: int) -> None:
    """Edges and a tick every millisecond, as a board has them."""
    coming = sorted(edges, key=lambda edge: edge.at_us)
    for now_ms in range(until_ms + 1):
        while coming and coming[0].at_us <= now_ms * 1000:
            arrival.edge(coming.pop(0))
        arrival.tick(now_ms)
        if not arrival.under_way:
            return


def pulse(sensor: str, at_ms: float, lasts_ms: float = 50) -> list[Edge]:
    return [
        Edge(int(at_ms * 1000), sensor, closed=True),
        Edge(int((at_ms + lasts_ms) * 1000), sensor, closed=False),
    ]


def begun() -> Arrival:
    arrival = Arrival(SETTINGS)
    arrival.begin(0, {"arming": False, "end": False})
    return arrival


def test_before_it_begins_it_is_lost_with_its_outputs_off() -> None:
    arrival = Arrival(SETTINGS)
    assert (arrival.state, arrival.power, arrival.due_ms) == ("lost", 0, None)
    feed(arrival, pulse("arming", 10), until_ms=100)
    assert (arrival.state, arrival.power) == ("lost", 0)


def test_the_powers_of_an_arrival() -> None:
    arrival = begun()
    assert arrival.power == SETTINGS.admit_power
    feed(arrival, pulse("arming", 100), until_ms=300)
    assert (arrival.state, arrival.power) == ("armed", SETTINGS.creep_power)
    feed(arrival, pulse("end", 2000, 300), until_ms=2400)
    assert (arrival.state, arrival.power) == ("armed", 0)
    arrival.tick(2003 + SETTINGS.rest_ms)
    assert (arrival.state, arrival.arm_to_end_ms) == ("at-rest", 1900)


@given(st.integers(0, 60))
@examples(20)
def test_pulses_before_arming_are_ignored_whatever_their_number(number: int) -> None:
    """BER-04."""
    arrival = begun()
    early = [edge for turn in range(number) for edge in pulse("end", 100 + 60 * turn, 30)]
    after = 100 + 60 * number
    late = pulse("arming", after) + pulse("end", after + 2500, 300)
    feed(arrival, [*early, *late], until_ms=after + 10_000)
    assert (arrival.state, arrival.ignored, arrival.arm_to_end_ms) == ("at-rest", number, 2500)


def test_noise_neither_arms_nor_ends() -> None:
    arrival = begun()
    feed(arrival, [edge for turn in range(9) for edge in pulse("arming", 10 + 5 * turn, 2)], until_ms=100)
    assert arrival.state == "admitting"
    feed(arrival, [edge for turn in range(9) for edge in pulse("end", 110 + 5 * turn, 2)], until_ms=200)
    assert arrival.ignored == 0


def test_not_armed_in_time_is_lost() -> None:
    """BER-05."""
    arrival = begun()
    arrival.tick(SETTINGS.arming_timeout_ms - 1)
    assert arrival.under_way
    assert arrival.due_ms == SETTINGS.arming_timeout_ms
    arrival.tick(SETTINGS.arming_timeout_ms)
    assert (arrival.state, arrival.reason, arrival.power) == ("lost", "not-armed", 0)


def test_end_not_found_in_time_is_lost() -> None:
    """BER-05."""
    arrival = begun()
    feed(arrival, pulse("arming", 100), until_ms=300)
    arrival.tick(100 + SETTINGS.end_timeout_ms - 1)
    assert arrival.under_way
    arrival.tick(100 + SETTINGS.end_timeout_ms)
    assert (arrival.state, arrival.reason, arrival.power) == ("lost", "end-missed", 0)
    assert arrival.reading is None


def test_a_train_on_the_arming_sensor_already_is_lost() -> None:
    arrival = Arrival(SETTINGS)
    arrival.begin(0, {"arming": True, "end": False})
    assert (arrival.state, arrival.reason, arrival.power) == ("lost", "input-lost", 0)


def test_an_end_sensor_that_was_closed_must_open_and_close_again() -> None:
    arrival = Arrival(SETTINGS)
    arrival.begin(0, {"arming": False, "end": True})
    feed(arrival, pulse("arming", 100), until_ms=1000)
    assert (arrival.state, arrival.power, arrival.ignored) == ("armed", SETTINGS.creep_power, 0)


def test_an_arrival_can_begin_anew() -> None:
    arrival, _ = arrive(TUNED, 1)
    first = arrival.reading
    track = siding(TUNED, 1)
    arrival.begin(0, track.levels)
    assert (arrival.state, arrival.reading, arrival.ignored) == ("admitting", None, 0)
    bring_in(track, arrival)
    assert arrival.reading == first


def test_a_hold_before_arming_stops_the_time_out() -> None:
    arrival = begun()
    arrival.hold(1000)
    assert arrival.power == 0
    arrival.tick(10 * SETTINGS.arming_timeout_ms)
    assert arrival.under_way
    arrival.resume(10 * SETTINGS.arming_timeout_ms)
    assert arrival.power == SETTINGS.admit_power
    arrival.tick(11 * SETTINGS.arming_timeout_ms - 1001)
    assert arrival.under_way
    arrival.tick(11 * SETTINGS.arming_timeout_ms - 1000)
    assert arrival.reason == "not-armed"


@pytest.mark.parametrize("after_ms", [800, 1500])
@pytest.mark.parametrize("name", ["heavy freight", "open motor", "weak motor"])
def test_a_train_held_on_its_way_still_rests_where_the_reading_says(name: str, after_ms: int) -> None:
    """Coarser than an undisturbed arrival: what the stop added to the way is known on average only."""
    track, arrival = siding(FLEET[name], 1), Arrival(SETTINGS)
    arrival.begin(0, track.levels)
    track.drive(arrival.power)
    armed_ms = None
    for now_ms in range(120_000):
        for edge in track.advance(now_ms * 1000):
            arrival.edge(edge)
        arrival.tick(now_ms)
        if armed_ms is None and arrival.state == "armed":
            armed_ms = now_ms
        if armed_ms is not None and now_ms == armed_ms + after_ms:
            arrival.hold(now_ms)
        if armed_ms is not None and now_ms == armed_ms + after_ms + 7000:
            arrival.resume(now_ms)
        track.drive(arrival.power)
        if not arrival.under_way:
            break
    assert arrival.state == "at-rest"
    assert arrival.reading is not None
    told_mm = measured_table().position(arrival.reading) / 10
    assert told_mm == pytest.approx(true_axis_mm(track), abs=COARSE_MM)


def test_an_end_that_comes_while_held_gives_no_reading() -> None:
    arrival = begun()
    feed(arrival, pulse("arming", 100), until_ms=300)
    arrival.hold(2000)
    feed(arrival, pulse("end", 2100, 200), until_ms=3000)
    assert (arrival.state, arrival.reason, arrival.reading) == ("lost", "end-missed", None)


def test_giving_up_switches_off() -> None:
    arrival = begun()
    arrival.give_up()
    assert (arrival.state, arrival.reason, arrival.power) == ("lost", None, 0)


edges_of_any_kind = st.lists(
    st.tuples(st.integers(1, 900_000), st.sampled_from(["arming", "end", "load"]), st.booleans()), max_size=40
)


@given(edges_of_any_kind, st.integers(0, 2**32))
def test_whatever_the_edges_a_reading_comes_only_at_rest(raw: list[tuple[int, str, bool]], seed: int) -> None:
    arrival, now_us, rng = begun(), 0, random.Random(seed)
    for gap, sensor, closed in raw:
        now_us += gap
        arrival.edge(Edge(now_us, sensor, closed))
        if rng.random() < 0.7:
            arrival.tick(now_us // 1000)
        assert (arrival.reading is not None) == (arrival.state == "at-rest")
        assert arrival.power in (0, SETTINGS.creep_power, SETTINGS.admit_power)
        assert arrival.under_way or arrival.power == 0


@pytest.mark.parametrize(
    "wrong", [{"creep_power": 50}, {"end_timeout_ms": 65_536}, {"rest_ms": 0}, {"admit_power": 101}]
)
def test_settings_that_cannot_be_are_refused(wrong: dict[str, int]) -> None:
    with pytest.raises(ValueError, match="must be positive"):
        ArrivalSettings(**wrong)  # type: ignore[arg-type]
