"""Rules of boxes, each at its edges: reports of a transfer, spreaders that open, and maps of the yard."""

from __future__ import annotations

from typing import Any

import pytest

from protocol.rules.boxes import SETTLE_US
from protocol.site_file import scenario
from tests.rules_over_messages.heard import Bus
from tests.rules_over_messages.test_what_nodes_answer import ID, ordered

SITE = scenario()


ENDS: dict[str, Any] = {
    "from": "stack-n",
    "from_slot": 0,
    "to": "ferry",
    "to_slot": 0,
    "box": "C-1",
    "deadline": 30_000,
}


def carrying(step: str | None = None, state: str = "running", *, site: bool = False) -> Bus:
    bus = ordered("transfer", site=site, **ENDS)
    bus.report("north", "transfer", ID, state, step=step)
    return bus


@pytest.mark.parametrize(
    ("load", "told"), [("none", []), (None, []), ("box", ["CRN-10"]), ("unsure", ["CRN-10"])]
)
def test_behind_a_transfer_the_spreader_is_empty(load: str | None, told: list[str]) -> None:
    """CRN-10."""
    bus = carrying()
    assert bus.report("north", "transfer", ID, "failed", load=load) == []
    bus = carrying()
    assert bus.report("north", "transfer", ID, "done", load=load) == told


def test_a_report_names_the_box_of_its_order() -> None:
    """CRN-10."""
    bus = carrying()
    assert bus.report("north", "transfer", ID, "running", box="C-1") == []
    assert bus.report("north", "transfer", ID, "running", box="C-2") == ["CRN-10"]
    assert bus.report("north", "transfer", ID - 9, "running", box="C-2") == []


@pytest.mark.parametrize(
    ("start", "slot", "between", "told"),
    [
        ("ferry", 0, "", []),
        ("ferry", 1, "", ["SUP-17"]),
        ("stack-n", 0, "", ["SUP-17"]),
        ("stack-n", 0, "grip", []),
        ("stack-n", 0, "failed", []),
        ("stack-n", 0, "forget", []),
        ("stack-n", 0, "bench", []),
        ("stack-n", 0, "lift", ["SUP-17"]),
    ],
)
def test_a_box_is_taken_from_where_it_was_put(start: str, slot: int, between: str, told: list[str]) -> None:
    """SUP-17: a box is in one place."""
    bus = carrying()
    bus.report("north", "transfer", ID, "done")
    number = bus.number
    if between in ("grip", "lift", "failed"):
        bus.order("south", "transfer", id=ID, **ENDS)
        state = "failed" if between == "failed" else "running"
        bus.report("south", "transfer", ID, state, step=None if between == "failed" else between)
    elif between == "forget":
        bus.boxes.forget()
    elif between == "bench":
        bus.says("north", "node-status", bench=True)
    again = ENDS | {"from": start, "from_slot": slot, "deadline": bus.uptime + 5_000}
    assert bus.order("north", "transfer", id=ID + 1, **again) == told
    assert [one.since for one in bus.found] == [number] * len(told)
    assert bus.order("north", "transfer", id=ID + 1, **again) == [], "a repeat is told of once"
    assert bus.order("north", "transfer", id=ID + 2, **again | {"box": "C-2"}) == []


# ---------------------------------------------------------------- spreaders
CLOSED: dict[str, Any] = {"mode": "working", "spreader": "closed", "load": "box"}


@pytest.mark.parametrize(
    ("step", "told"),
    [
        ("lower-to-drop", []),
        ("release", []),
        ("clear", []),
        (None, []),
        ("travel-to-drop", ["CRN-12"]),
        ("grip", ["CRN-12"]),
    ],
)
@pytest.mark.parametrize("to", ["open", "moving"])
def test_a_spreader_opens_where_the_box_stands(step: str | None, told: list[str], to: str) -> None:
    """CRN-12."""
    for before, lost, wrong in ((CLOSED, False, True), (CLOSED, True, False), (CLOSED | {"load": "none"}, False, False),
                                (CLOSED | {"spreader": "moving"}, False, False)):  # fmt: skip
        bus = carrying(step)
        bus.says("north", "crane-status", **before)
        assert bus.says("north", "crane-status", lost=lost, **CLOSED | {"spreader": to}) == (
            told if wrong else []
        )
    bus = carrying(step)
    bus.says("north", "crane-status", **CLOSED)
    bus.boxes.forget()
    assert bus.says("north", "crane-status", **CLOSED | {"spreader": to}) == []


def test_without_a_transfer_it_stays_closed() -> None:
    """CRN-12."""
    for bus, act, word in (
        (carrying("release"), "transfer", "done"),
        (ordered("home", deadline=30_000), "home", "running"),
    ):
        bus.report("north", act, ID, word)
        bus.says("north", "crane-status", **CLOSED)
        assert bus.says("north", "crane-status", **CLOSED | {"spreader": "open"}) == ["CRN-12"]


@pytest.mark.parametrize(("off", "told"), [(0, []), (3, []), (-3, []), (4, ["CRN-12"]), (-4, ["CRN-12"])])
def test_a_box_is_let_go_at_the_height_of_its_slot(off: int, told: list[str]) -> None:
    """CRN-12: above it there is nothing under the box."""
    crane = SITE.nodes["north"].crane
    assert crane is not None
    height = crane.places["ferry"].slots[0][-1] + off
    axes = [[0, 0, True], [0, 0, True], [height, height, True]]
    for site in (True, False):
        bus = carrying("release", site=site)
        bus.says("north", "crane-status", **CLOSED, axes=axes)
        assert bus.says("north", "crane-status", **CLOSED | {"spreader": "open"}, axes=axes) == (
            told if site else []
        )


# ---------------------------------------------------------------- yard maps
def test_a_box_that_stands_in_two_places_is_told_after_a_while() -> None:
    """SUP-17; maps of two places are published one after the other."""
    bus = Bus()
    bus.says("yard", "yard-map", place="a", slots=["", "C-1", "?"])
    bus.says("yard", "yard-map", place="b", slots=["C-1", "?", ""])
    assert bus.passes(SETTLE_US) == []
    assert bus.passes(1) == ["SUP-17"]
    assert (bus.found[0].what, bus.found[0].node) == ("box C-1 stands in a/1 and b/0", "yard")
    bus.says("yard", "yard-map", place="b", slots=["C-1", "?", "C-2"])
    assert bus.passes(SETTLE_US + 1) == []
    bus.says("yard", "yard-map", place="a", slots=["", "", ""])
    bus.says("yard", "yard-map", place="a", slots=["C-1", "", ""])
    assert bus.passes(SETTLE_US + 1) == ["SUP-17"]
    bus.says("yard", "yard-map", place="a", slots=[])
    bus.says("yard", "yard-map", place="a", slots=["C-2"])
    bus.boxes.forget()
    assert bus.passes(SETTLE_US + 1) == []
