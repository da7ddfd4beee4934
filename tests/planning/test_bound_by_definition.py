"""The bound, the least work and what matters, against their definition, in yards of every sort and anywhere in them."""

from __future__ import annotations

from random import Random

import pytest

from protocol.site import Site
from reference_node.supervisor.plan.search.bound import Bound
from reference_node.supervisor.plan.search.ways import Ways
from reference_node.supervisor.plan.search.yard import Yard
from tests.planning.bound_by_definition import ByDefinition, Known, far, hops
from tests.planning.wider_yard import WIDER, drawn
from tests.planning.yards import SITE


@pytest.mark.parametrize(
    ("site", "seed"), [*((SITE, seed) for seed in range(15)), *((WIDER, seed) for seed in range(45))]
)
def test_bounds_are_as_they_are_defined(site: Site, seed: int) -> None:
    problem, rng = drawn(seed, site), Random(seed)
    yard = Yard(problem)
    bound, state = Bound(yard), yard.start()
    for _ in range(2):
        free = {node: rng.choice([0, 0, 5_000, 20_000]) for node in yard.nodes}
        expected = ByDefinition(problem, state, free)
        assert bound.of(state, [free[node] for node in yard.nodes]) == expected.least_end()
        assert bound.work(state) == expected.least_work()
        assert {yard.labels[label] for label in bound.matters(state)} == expected.matters()
        trips = list(bound._trips(state, [free[node] for node in yard.nodes]))
        found = [
            (yard.labels[trip.label], yard.spots[trip.start[0]], trip.head, trip.tail, trip.there_from)
            for trip in trips
        ]
        told = [(trip.box, trip.start[0], trip.head, trip.tail, trip.there_from) for trip in expected.trips]
        assert sorted(found) == sorted(told)
        for number, berth in enumerate(yard.berths):
            calls = [tuple(job) for job in bound._of_trains(number, state)]
            assert calls == [tuple(job) for _, _, job in expected.calls(berth)]
        runs = [tuple(job) for shuttle in yard.shuttles for job in bound._of_shuttle(shuttle, state, trips)]
        assert runs == [tuple(job) for _, job in expected.of_shuttles()]
        for _ in range(3):
            state = rng.choice([step.after for step in yard.steps(state)] or [state])


def test_a_way_takes_what_its_hops_take() -> None:
    """Between any two slots, by way of any others; where there is none, none is told."""
    problem = drawn(0)
    yard = Yard(problem)
    ways, known = Ways(yard), Known.by(WIDER)
    every = hops(known, problem.durations)
    vertices = {vertex for hop in every for vertex in (hop.start, hop.end)}
    whole, lifts = (far(known, problem.durations, weigh) for weigh in ("all", "lifts"))
    for start in vertices:
        for end in vertices:
            here, there = ((yard.spot[spot], stop) for spot, stop in (start, end))
            assert ways.least(here, there) == whole.get((start, end))
            assert ways.lifts(here, there) == lifts.get((start, end), 0)
    hangs = [vertex for vertex in vertices if vertex[0].place.startswith("@")]
    assert len(hangs) == len(yard.cranes)
    assert all((other, hung) not in whole for hung in hangs for other in vertices - {hung})
