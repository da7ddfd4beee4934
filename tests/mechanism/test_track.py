from __future__ import annotations

import random
import time
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from reference_node.mechanism.edge import Edge
from reference_node.mechanism.reed import Reed
from reference_node.mechanism.track import NOISE_US, Track
from reference_node.mechanism.train import Consist, Locomotive, Magnet, Train
from tests.examples import examples
from tests.mechanism.siding import Engine, siding

QUIET = Engine(creep=55, coasts=80, lag=0.15, mass=1000)
NOISY = Engine(creep=55, coasts=80, lag=0.15, mass=1000, motor_magnet=0.7, noise=40)
MUTE = (0, 0)


def drive_through(track: Track, power: int = 40) -> list[Edge]:
    track.drive(power)
    return track.advance(60_000_000)


def pulses(edges: list[Edge], sensor: str = "end") -> int:
    return sum(edge.closed for edge in edges if edge.sensor == sensor)


def lone(*, lobes: int) -> tuple[Track, Train]:
    """A locomotive alone, whose arming and end magnets pass one reed without bounce."""
    engine = Locomotive(pull=2000.0, damping=6.0, friction=70.0)
    wagons = (200.0,) if lobes == 3 else ()
    train = Train(Consist(engine, wagons, 1000.0, gap=0.0), -100.0)
    return Track(train, [Reed("end", 0.0, bounce_us=MUTE)], random.Random(1)), train


def test_pull_in_and_drop_out_differ() -> None:
    """Closes 6 mm before, opens 8 mm behind: hysteresis of a reed switch, makers' application notes."""
    track, train = lone(lobes=1)
    edges = drive_through(track)
    fronts = [train.front_at(edge.at_us) for edge in edges]
    assert fronts == pytest.approx([20 - 6, 20 + 8, 160 - 6, 160 + 8], abs=1e-3)
    assert [edge.closed for edge in edges] == [True, False, True, False]


def test_a_magnet_passing_parallel_closes_up_to_three_times() -> None:
    """Three lobes, makers' application notes on reed switches."""
    track, _ = lone(lobes=3)
    assert pulses(drive_through(track)) == 1 + 3 + 1, "arming magnet, one coupling, end magnet"


def test_hysteresis_holds_for_a_train_that_turns_round_over_the_reed() -> None:
    """Closed at 14 mm, it stays closed until 8 mm on the near side of the magnet again, at 12 mm."""
    track, train = lone(lobes=1)
    track.drive(20)
    closes = track.next_event_us()
    assert closes is not None
    track.advance(closes)
    track.drive(-20)
    edges = track.advance(closes + 2_000_000)
    assert [edge.closed for edge in edges] == [False]
    assert train.front_at(edges[0].at_us) == pytest.approx(20 - 8, abs=1e-2)
    assert track.starts == 1


def test_a_contact_bounces_for_half_to_one_millisecond() -> None:
    """Bounce 0.5 to 1 ms, makers' application notes on reed switches."""
    one_lobe = replace(QUIET, coupling_lobes=1)
    edges = [edge for edge in drive_through(siding(one_lobe, 3)) if edge.sensor == "end"]
    bursts: list[list[Edge]] = []
    for edge in edges:
        if bursts and edge.at_us - bursts[-1][-1].at_us < 2_000:
            bursts[-1].append(edge)
        else:
            bursts.append([edge])
    assert len(bursts) == 2 * (1 + 2 * 4 + 1), (
        "arming magnet, four couplings, end magnet, each closes and opens"
    )
    for burst in bursts:
        assert len(burst) % 2, "what bounces ends where it was going"
        assert len(burst) > 1
        assert 500 <= burst[-1].at_us - burst[0].at_us <= 1000


def test_a_motor_disturbs_the_lines_only_while_it_is_on() -> None:
    track = siding(NOISY, 5)
    assert track.advance(5_000_000) == []
    quiet, noisy = drive_through(siding(QUIET, 5)), drive_through(track)
    assert len(noisy) > len(quiet) + 200
    track.drive(0)
    track.advance(track.now_us + max(NOISE_US))
    assert track.advance(track.now_us + 10_000_000) == []


@given(st.integers(0, 2**32))
@examples(20)
def test_the_same_seed_gives_the_same_edges(seed: int) -> None:
    assert drive_through(siding(NOISY, seed)) == drive_through(siding(NOISY, seed))


def test_another_seed_gives_other_edges() -> None:
    assert drive_through(siding(NOISY, 1)) != drive_through(siding(NOISY, 2))


@given(st.integers(0, 2**32), st.lists(st.integers(1, 3_000_000), max_size=30))
@examples(20)
def test_edges_do_not_depend_on_the_steps(seed: int, steps: list[int]) -> None:
    once, often = siding(NOISY, seed), siding(NOISY, seed)
    for track in (once, often):
        track.drive(40)
    now, edges = 0, list[Edge]()
    for step in [*steps, 30_000_000]:
        now += step
        edges += often.advance(now)
    assert once.advance(now) == edges


@given(
    st.integers(0, 2**32), st.lists(st.tuples(st.integers(-60, 60), st.integers(1, 4_000_000)), max_size=8)
)
@examples(30)
def test_edges_alternate_and_levels_follow_whatever_is_driven(
    seed: int, commands: list[tuple[int, int]]
) -> None:
    track = siding(NOISY, seed)
    told, last = track.levels, 0
    for power, wait in commands:
        track.drive(power)
        for edge in track.advance(track.now_us + wait):
            assert edge.at_us >= last
            assert told[edge.sensor] != edge.closed
            told[edge.sensor], last = edge.closed, edge.at_us
        assert told == track.levels


@given(st.lists(st.tuples(st.integers(-60, 60), st.integers(1, 4_000_000)), max_size=8))
@examples(30)
def test_without_bounce_and_noise_a_closed_line_has_a_magnet_within_reach(
    commands: list[tuple[int, int]],
) -> None:
    train = Train(QUIET.consist(), -20.0)
    reed = Reed("end", 0.0, bounce_us=MUTE)
    track = Track(train, [reed], random.Random(1))
    reaches = reed.reaches(train.consist.magnets)
    for power, wait in commands:
        track.drive(power)
        track.advance(track.now_us + wait)
        front = train.front_at(track.now_us)
        away = [(abs(front - reach.behind), reach) for reach in reaches]
        if any(distance < reach.pull_in - 1e-3 for distance, reach in away):
            assert track.levels["end"]
        if all(distance > reach.drop_out + 1e-3 for distance, reach in away):
            assert not track.levels["end"]


def test_a_reed_knows_every_lobe() -> None:
    reed = Reed("end", 0.0, pull_in=6.0, drop_out=8.0, lobe_shift=14.0)
    reaches = reed.reaches([Magnet("end", 100.0), Magnet("coupling", 50.0, 0.5, 3)])
    assert [reach.behind for reach in reaches] == [100, 36, 50, 64]
    assert [reach.pull_in for reach in reaches] == pytest.approx([6, 0.9, 3, 0.9])
    assert [reach.drop_out for reach in reaches] == pytest.approx([8, 1.2, 4, 1.2])


def test_a_reed_without_hysteresis_is_refused() -> None:
    with pytest.raises(ValueError, match="drops out further away"):
        Reed("end", 0.0, pull_in=8.0, drop_out=8.0)


def test_a_passage_is_cheap() -> None:
    """Far from tight: a passage of about 20 s takes some 10 ms of processor time on a slow machine."""
    track = siding(NOISY, 1)
    began = time.process_time()
    assert drive_through(track)
    assert time.process_time() - began < 0.5
