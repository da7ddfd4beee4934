"""The fuzzer over a node on a serial line: a sound one stays clean, with the faults of the line as well."""

from __future__ import annotations

from random import Random

import pytest

from conformance.fuzz.link import FAULTS, LINE_FAULTS, link_of
from conformance.fuzz.run.campaign import Campaign, Options
from conformance.suite.fixture import Fixture
from conformance.suite.verdict import Verdict
from tests.faulty_lines.faulty_line import bench_of, run_of, site_on_lines
from tests.sample import sampled

SLOWED = ("orders-in-order", "orders-rate", "orders-answer-time", "messages-repeat", "messages-uptime")
"""Those that took the time of a slow line for the board's."""
SILENT = (Verdict.PASS, Verdict.NONE)


def campaign(
    name: str, seed: int, kinds: tuple[str, ...], *, orders_a_second: float = 20, baud: int = 115_200
) -> Campaign:
    bench = bench_of(name, seed=seed, rate=baud)
    fixture = Fixture(bench, site_on_lines(), name, Random(seed))
    options = Options(seed=seed, motion=True, rate=orders_a_second, kinds=kinds)
    return Campaign(fixture, link_of(bench, name), options)


@pytest.mark.slow
@pytest.mark.parametrize("name", sampled(["north", "siding", "ferry", "south", "link"], ["link"]))
def test_a_sound_node_on_a_line_stays_clean(name: str) -> None:
    """Faults of the link alone in CI, on the berth; sequences too, and every role, with more time."""
    kinds, cases = (("link",), 24) if name == "link" else (("sequences", "link"), 250)
    name = "siding" if name == "link" else name
    run = campaign(name, 7, kinds)
    played: list[str] = []
    disturb = run.trial.player.link.disturb
    run.trial.player.link.disturb = lambda fault, ms: (played.append(fault), disturb(fault, ms))[1]  # type: ignore[method-assign, func-returns-value]
    run.run(lambda: run.cases < cases)
    assert [(str(found.finding), found.says) for found in run.found.values()] == []
    assert set(played) & set(LINE_FAULTS)
    assert set(played) & set(FAULTS)


@pytest.mark.slow
def test_what_waits_for_a_slow_line_is_blamed_on_nobody() -> None:
    """At full rate over 19,200 baud: answers waited for seconds, and were taken for missing."""
    cases = 40
    run = campaign("siding", 7, ("payloads", "sequences", "link"), orders_a_second=0, baud=19_200)
    run.run(lambda: run.cases < cases)
    assert [(str(found.finding), found.says) for found in run.found.values()] == []


EVERY = [("siding", 19_200), ("siding", 4800), ("south", 9600), ("ferry", 4800)]


@pytest.mark.parametrize("on", sampled(EVERY, EVERY[:1]))
def test_the_time_of_a_slow_line_is_not_that_of_the_board(on: tuple[str, int]) -> None:
    """A sound node passes at every rate at which a board is judged: the line's own time is known."""
    name, baud = on
    only = None if baud < 19_200 else SLOWED
    run = run_of(bench_of(name, rate=baud), name, only)
    spoken = {id_: one.reason for id_, one in run.perform().items() if one.verdict not in SILENT}
    assert spoken == {}


@pytest.mark.slow
def test_a_busy_slow_line_at_full_rate_is_no_gap_of_the_board() -> None:
    """What repeats itself waits there for reports, and its uptime is heard late."""
    run = campaign("south", 4, ("payloads", "sequences"), orders_a_second=0, baud=9600)
    run.run(lambda: run.cases < 150)
    assert [(str(found.finding), found.says) for found in run.found.values()] == []
