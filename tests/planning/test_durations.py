"""How long a plan takes each job to last, against the equations of motion with the figures of the site file alone."""

from __future__ import annotations

from dataclasses import replace
from itertools import product
from math import isclose, sqrt

import pytest

from protocol.site import CraneSite
from reference_node.supervisor.observe.boxes import Spot
from reference_node.supervisor.plan.search.durations import Durations, move_ms, position
from tests.planning import times
from tests.planning.yards import SITE


def spots(crane: str) -> list[Spot]:
    site = SITE.nodes[crane].crane
    assert site is not None
    return [Spot(name, slot) for name, place in site.places.items() for slot in range(len(place.slots))]


@pytest.mark.parametrize("crane", ["north", "south"])
def test_a_transfer_lasts_as_long_as_its_moves(crane: str) -> None:
    site = SITE.nodes[crane].crane
    assert site is not None
    for source, target in product(spots(crane), repeat=2):
        if source == target:
            continue
        for start in (None, spots(crane)[0], target):
            lasts = Durations().transfer(site, start, source, target)
            assert lasts == times.transfer(crane, start, source, target), (start, source, target)


@pytest.mark.parametrize("crane", ["north", "south"])
def test_setting_down_what_hangs_in_the_spreader_needs_no_grip_and_no_way_to_the_box(crane: str) -> None:
    """Down, open, up: what remains of a transfer from where the crane stands, without closing and the first hoist."""
    site = SITE.nodes[crane].crane
    assert site is not None
    for start, target in product(spots(crane), repeat=2):
        if start == target:
            continue
        whole = times.transfer(crane, None, start, target)
        first = 2000 * times._hoist(crane, start) + times.GRIP
        lasts = Durations().transfer(site, start, None, target)
        assert isclose(lasts, whole - first, abs_tol=1), (start, target)
        across = 1000 * times._across(crane, start, target)
        assert isclose(lasts - Durations().transfer(site, None, None, target), across, abs_tol=1)


def test_jobs_of_other_nodes_last_as_they_are_given() -> None:
    given = Durations()
    figures = (given.run_ms, given.admit_ms, given.depart_ms)
    assert [figure + given.order_ms for figure in figures] == [times.RUN, times.ADMIT, times.DEPART]
    assert (given.grip_ms, given.order_ms) == (times.GRIP, times.BETWEEN_JOBS)


def test_a_train_is_taken_to_stand_in_the_middle_of_its_table() -> None:
    south = SITE.nodes["south"].crane
    assert isinstance(south, CraneSite)
    for slot, (x, y, z) in enumerate(times.NODES["south"]["crane"]["places"]["siding"]["slots"]):
        assert position(south, Spot("siding", slot)) == (x + times.MIDDLE_OF_THE_TABLE, y, z)


@pytest.mark.parametrize(
    ("way", "seconds"),
    [(0, 0), (25, 1), (-25, 1), (100, 2), (400, 5), (-400, 5), (50, sqrt(2))],
)
def test_a_move_from_rest_to_rest(way: float, seconds: float) -> None:
    """At most 100 units a second and 100 a second squared: to 100 units in 2 s without ever going evenly."""
    axis = replace(SITE.nodes["north"].crane.axes[0], speed=100, acceleration=100)  # type: ignore[union-attr]
    assert isclose(move_ms(way, axis), 1000 * seconds)
