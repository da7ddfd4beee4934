"""Drawings of transition tables: nothing of a table is missing, nothing covers anything else."""

from __future__ import annotations

import re
from itertools import pairwise

import pytest

from conformance.reports.diagram import LETTER, SMALL, Layout, plan
from protocol.specification import specification
from protocol.transition_table import Table, Transition

TABLES = sorted(specification().tables)


def drawn(name: str) -> tuple[Table, Layout]:
    table = specification().tables[name]
    return table, plan(table)


@pytest.mark.parametrize("name", TABLES)
def test_every_transition_is_drawn(name: str) -> None:
    table, drawing = drawn(name)
    labels = [track.label for track in drawing.tracks]
    for row in table.transitions:
        target = table.states.index(row.next)
        if row.state == row.next:
            assert row.event in drawing.platforms[target].stays
        else:
            guard = row.guard.replace("_", " ")
            said = f"{row.event} [{guard}]" if guard else row.event
            assert any(said in track.label.split(", ") for track in drawing.tracks if track.group == target)
    pairs = {(row.state, row.next) for row in table.transitions if row.state != row.next}
    assert len(labels) == len(pairs)


@pytest.mark.parametrize("name", TABLES)
def test_nothing_covers_anything_else(name: str) -> None:
    table, drawing = drawn(name)
    assert [box.name for box in drawing.platforms] == list(table.states)
    for above, below in pairwise(drawing.platforms):
        assert above.y + above.height < below.y
    for box in drawing.platforms:
        assert len(box.stays) * SMALL < box.width, "what changes nothing has to fit into the box"
    places = sorted((track.anchor, track.y) for track in drawing.tracks)
    for (side, y), (other, lower) in pairwise(places):
        assert side != other or lower - y >= 12
    left = drawing.platforms[0].x
    for track in drawing.tracks:
        length = len(track.label) * LETTER
        start = track.x if track.anchor == "start" else track.x - length
        end = track.x + length if track.anchor == "start" else track.x
        assert end <= left or start >= left + drawing.platforms[0].width
        assert 0 <= start <= end <= drawing.width
        for x in re.findall(r"[MHQ]([-\d.]+)", track.path):
            assert 0 <= float(x) <= drawing.width


def test_down_on_the_right_up_on_the_left() -> None:
    rows = (Transition("a", "go", "", "b", ()), Transition("b", "back", "free", "a", ()))
    drawing = plan(Table("toy", "Toy", ("a", "b"), "a", (), rows))
    there, back = drawing.tracks
    assert (there.label, there.anchor) == ("go", "start")
    assert (back.label, back.anchor) == ("back [free]", "end")
    assert drawing.platforms[0].kind == "initial"
