"""The fuzzer over a node on a serial line: a sound one stays clean, with the faults of the line as well."""

from __future__ import annotations

from random import Random

import pytest

from conformance.fuzz.link import FAULTS, LINE_FAULTS, link_of
from conformance.fuzz.run.campaign import Campaign, Options
from conformance.suite.fixture import Fixture
from tests.faulty_lines.faulty_line import bench_of, site_on_lines
from tests.sample import sampled


def campaign(name: str, seed: int, kinds: tuple[str, ...]) -> Campaign:
    bench = bench_of(name, seed=seed)
    fixture = Fixture(bench, site_on_lines(), name, Random(seed))
    # Slower than the line: what waits on it has reached the tap, and not yet the node.
    options = Options(seed=seed, motion=True, rate=20, kinds=kinds)
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
