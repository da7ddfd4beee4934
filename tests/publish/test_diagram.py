"""Drawings of transition tables: nothing of a table is missing, nothing covers anything else."""

from __future__ import annotations

import re
from itertools import combinations, pairwise

import pytest

from conformance.reports.diagram import BADGE, Layout, plan
from protocol.specification import specification
from protocol.transition_table import Table, Transition

TABLES = sorted(specification().tables)
PHONE = 390


def drawn(name: str) -> tuple[Table, Layout]:
    table = specification().tables[name]
    return table, plan(table)


@pytest.mark.parametrize("name", TABLES)
def test_every_transition_is_drawn(name: str) -> None:
    table, drawing = drawn(name)
    for row in table.transitions:
        if row.state == row.next:
            assert row.event in dict(drawing.staying)[row.state].split(", ")
        else:
            guard = row.guard.replace("_", " ")
            said = f"{row.event} [{guard}]" if guard else row.event
            tracks = [one for one in drawing.tracks if (one.source, one.target) == (row.state, row.next)]
            assert [said in track.label.split(", ") for track in tracks] == [True]
    pairs = {(row.state, row.next) for row in table.transitions if row.state != row.next}
    assert [track.number for track in drawing.tracks] == list(range(1, len(pairs) + 1))


@pytest.mark.parametrize("name", TABLES)
def test_nothing_covers_anything_else(name: str) -> None:
    table, drawing = drawn(name)
    assert [box.name for box in drawing.platforms] == list(table.states)
    for above, below in pairwise(drawing.platforms):
        assert above.y + above.height < below.y
    for one, other in combinations(drawing.tracks, 2):
        away = ((one.x - other.x) ** 2 + (one.y - other.y) ** 2) ** 0.5
        assert away >= 2 * BADGE
    for track in drawing.tracks:
        for x in re.findall(r"[MHQ]([-\d.]+)", track.path):
            assert 0 <= float(x) <= drawing.width


def lines(path: str) -> list[tuple[float, float, float, float]]:
    """The straight pieces of a path as x, y, x, y."""
    found: list[tuple[float, float, float, float]] = []
    x, y = 0.0, 0.0
    for letter, numbers in re.findall(r"([MHVQ])([-\d. ]+)", path):
        values = [float(one) for one in numbers.split()]
        there = {"M": values[:2], "H": [values[0], y], "V": [x, values[0]], "Q": values[-2:]}[letter]
        if letter in "HV":
            found.append((x, y, there[0], there[1]))
        x, y = there
    return found


@pytest.mark.parametrize("name", TABLES)
def test_no_line_strikes_a_number_or_a_name(name: str) -> None:
    """Every disc is touched by its own line alone, and no line runs through a platform, where the words stand."""
    _, drawing = drawn(name)
    for track in drawing.tracks:
        for x1, y1, x2, y2 in lines(track.path):
            for other in drawing.tracks:
                if other is not track:
                    across = abs(max(min(x1, x2), min(other.x, max(x1, x2))) - other.x)
                    along = abs(max(min(y1, y2), min(other.y, max(y1, y2))) - other.y)
                    assert (across**2 + along**2) ** 0.5 > BADGE, (track.label, other.label)
            for box in drawing.platforms:
                within = min(x1, x2) < box.x + box.width - 0.1 and max(x1, x2) > box.x + 0.1
                assert not (within and min(y1, y2) < box.y + box.height and max(y1, y2) > box.y)


@pytest.mark.parametrize("name", TABLES)
def test_a_phone_is_wide_enough(name: str) -> None:
    """A page has 16 px of room on either side."""
    assert drawn(name)[1].width <= PHONE - 32


def test_down_on_the_right_up_on_the_left() -> None:
    rows = (Transition("a", "go", "", "b", ()), Transition("b", "back", "free", "a", ()))
    drawing = plan(Table("toy", "Toy", ("a", "b"), "a", (), rows))
    there, back = drawing.tracks
    box = drawing.platforms[0]
    assert (there.number, there.label, there.source, there.target) == (1, "go", "a", "b")
    assert there.x > box.x + box.width
    assert (back.number, back.label, back.x < box.x) == (2, "back [free]", True)
    assert box.kind == "initial"
