"""Where things are drawn, against numpy's interpolation and plain arithmetic on the site file."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from conformance.page.model.plan_geometry import PlanGeometry, Point
from conformance.page.server.assets import sheets
from protocol.site import PlaceKind, Site
from protocol.site_file import read_site, scenario, scenario_text


def spot(ground: PlanGeometry, panel: int, place: str, slot: int) -> Point:
    return next(one.at for one in ground.panels[panel].spots if (one.place, one.slot) == (place, slot))


def test_a_crane_over_a_slot_is_drawn_at_the_slot() -> None:
    site = scenario()
    ground = PlanGeometry(site)
    for name in ("north", "south"):
        crane = site.nodes[name].crane
        assert crane is not None
        for place, found in crane.places.items():
            if site.places[place].kind is PlaceKind.TRACK:
                continue
            for slot, position in enumerate(found.slots):
                panel = next(one.number for one in ground.panels if name in one.cranes)
                assert ground.point(name, position) == spot(ground, panel, place, slot)


@pytest.mark.parametrize("reading", [102, 141, 178, 200, 253, 339, 405])
def test_a_train_is_drawn_where_the_crane_would_find_it(reading: int) -> None:
    """The table of the site file, interpolated by numpy."""
    site = scenario()
    ground = PlanGeometry(site)
    crane = site.nodes["south"].crane
    assert crane is not None
    table = np.array(crane.places["siding"].table)
    wanted = np.interp(reading, table[:, 0], table[:, 1])
    shift = ground.train_shift("south", "siding", reading)
    assert shift is not None
    for slot, position in enumerate(crane.places["siding"].slots):
        assert spot(ground, 1, "siding", slot).x + shift == pytest.approx(wanted + position[0], abs=0.5)


@pytest.mark.parametrize("reading", [101, 406, -3])
def test_a_train_outside_the_table_is_drawn_nowhere(reading: int) -> None:
    assert PlanGeometry(scenario()).train_shift("south", "siding", reading) is None


def test_cranes_that_share_only_a_deck_are_not_compared() -> None:
    """The shuttle stands at another stop for each: the site file has no distance between them."""
    assert [panel.cranes for panel in PlanGeometry(scenario()).panels] == [["north"], ["south"]]


def shared() -> Site:
    """harlow-basin, with the stack of crane south in reach of crane north too, 700 mm further along its axis."""
    text = scenario_text().replace(
        "[nodes.north.crane.places.ferry]",
        "[nodes.north.crane.places.stack-s]\nslots = [[560, 180, 140], [560, 180, 110]]\n\n"
        "[nodes.north.crane.places.ferry]",
    )
    return read_site(text.encode(), "site.toml")


def test_cranes_that_share_a_stack_are_drawn_so_that_it_falls_together() -> None:
    ground = PlanGeometry(shared())
    assert [panel.cranes for panel in ground.panels] == [["north", "south"]]
    assert ground.point("south", (160, 180, 140)) == ground.point("north", (560, 180, 140))
    assert ground.point("south", (0, 0, 0)).x == 400
    assert (ground.panels[0].left, ground.panels[0].right) == (0, 1300)


def test_boxes_fit_between_their_neighbours() -> None:
    for site in (scenario(), shared()):
        ground = PlanGeometry(site)
        for panel in ground.panels:
            columns = {(one.at.x, one.at.y) for one in panel.spots}
            for one in columns:
                for other in columns - {one}:
                    apart = abs(one[0] - other[0]), abs(one[1] - other[1])
                    assert apart[0] > ground.length or apart[1] > ground.width


def test_everything_lies_inside_its_sheet() -> None:
    for site in (scenario(), shared()):
        ground = PlanGeometry(site)
        for sheet in sheets(ground):
            right, bottom = sheet.left + sheet.width, sheet.top + sheet.height
            for one in sheet.panel.spots:
                assert sheet.left < one.at.x - ground.length / 2
                assert one.at.x + ground.length / 2 < right
                assert sheet.side + one.at.z + ground.height < bottom
            for reach in sheet.panel.reaches:
                assert sheet.left < reach.left - ground.length / 2
                assert reach.right + ground.length / 2 < right
            assert sheet.panel.left <= sheet.ticks[0][0] < sheet.ticks[-1][0] <= sheet.panel.right


def test_a_hoist_that_counts_upwards_is_drawn_downwards() -> None:
    site = scenario()
    crane = site.nodes["north"].crane
    assert crane is not None
    up = {
        name: replace(place, slots=tuple((*slot[:2], 160 - slot[2]) for slot in place.slots))
        for name, place in crane.places.items()
    }
    turned = replace(site.nodes["north"], crane=replace(crane, travel=160, places=up))
    other = replace(site, nodes={**site.nodes, "north": turned})
    assert spot(PlanGeometry(other), 0, "stack-n", 0) == spot(PlanGeometry(site), 0, "stack-n", 0)


def test_a_site_without_cranes_has_no_drawing() -> None:
    site = scenario()
    none = replace(site, nodes={name: node for name, node in site.nodes.items() if node.crane is None})
    assert PlanGeometry(none).panels == []
