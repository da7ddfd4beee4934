"""Where a transfer, a run or a jog may go by the site file: places, slots, readings and the limits of the axes."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from conformance.oracle.order_checks import CHECKS, Arrived, Judged
from protocol.site import CraneSite, Site
from protocol.site_file import scenario
from tests.oracle.test_order_checks import BOOT, MARK, state

SITE = scenario()
SOUTH = SITE.nodes["south"]
assert SOUTH.crane is not None
CRANE = SOUTH.crane
AXIS = CRANE.axes[0]
SECOND = replace(SITE.places["siding"], name="branch")
BY_READING = {"reading": 128}
BY_STOP = {"stop": 1}
STACK, DECK, TRACK, BRANCH = ("stack-s", 0), ("ferry", 0), ("siding", 0), ("branch", 0)


def judged(site: Site = SITE, crane: CraneSite = CRANE) -> Judged:
    return Judged(site, replace(SOUTH, crane=crane))


def between(start: tuple[str, int] | None, end: tuple[str, int], **more: Any) -> dict[str, Any]:
    """A transfer."""
    begins = {} if start is None else {"from": start[0], "from_slot": start[1]}
    return {"act": "transfer", "to": end[0], "to_slot": end[1], "box": "B", **begins, **more}


def holds(check: str, body: dict[str, Any], where: Judged | None = None) -> bool | None:
    order = Arrived(1, 0.0, {"boot": BOOT, "id": MARK + 1} | body, late=False, bench=True)
    return CHECKS[check](state("south"), order, where or judged(), BOOT)


@pytest.mark.parametrize(
    ("start", "end", "more", "unknown"),
    [
        (STACK, ("stack-s", 1), {}, False),
        (STACK, ("stack-s", 2), {}, True),
        (("stack-s", 2), STACK, {}, True),
        (STACK, ("stack-n", 0), {}, True),
        (("stack-n", 0), STACK, {}, True),
        (STACK, ("nowhere", 0), {}, True),
        (None, STACK, {}, False),
        (None, ("nowhere", 0), {}, True),
        (STACK, DECK, {}, True),
        (STACK, DECK, BY_STOP, False),
        (STACK, DECK, BY_READING, True),
        (DECK, STACK, {}, True),
        (DECK, STACK, BY_STOP, False),
        (STACK, TRACK, {}, True),
        (STACK, TRACK, BY_STOP, True),
        (STACK, TRACK, BY_READING, False),
        (TRACK, STACK, BY_READING, False),
        (STACK, ("siding", 2), BY_READING, False),
        (STACK, ("siding", 3), BY_READING, True),
        (TRACK, DECK, BY_READING, True),
        (TRACK, DECK, BY_READING | BY_STOP, False),
        (TRACK, ("siding", 1), BY_READING, False),
    ],
)
def test_a_crane_knows_its_places_and_how_they_are_found_today(
    start: tuple[str, int] | None, end: tuple[str, int], more: dict[str, Any], unknown: bool
) -> None:
    """CRN-05: a place or slot that its tables do not know; CRN-07: at a berth a reading, at a shuttle a stop."""
    assert holds("place_unknown", between(start, end, **more)) is unknown


def test_between_two_berths_it_takes_nothing() -> None:
    """An order has room for one reading [SUP-23]."""
    places = {**CRANE.places, "branch": replace(CRANE.places["siding"], place="branch")}
    two = judged(replace(SITE, places={**SITE.places, "branch": SECOND}), replace(CRANE, places=places))
    assert holds("place_unknown", between(TRACK, BRANCH, **BY_READING), two) is True
    assert holds("place_unknown", between(TRACK, ("siding", 1), **BY_READING), two) is False
    assert holds("place_unknown", between(STACK, BRANCH, **BY_READING), two) is False


def test_a_place_that_only_the_crane_has_needs_neither_reading_nor_stop() -> None:
    """What kind of place it is stands in the site's list alone."""
    only = replace(SITE, places={name: one for name, one in SITE.places.items() if name != "ferry"})
    assert holds("place_unknown", between(STACK, DECK), judged(only)) is False


@pytest.mark.parametrize(("to", "unknown"), [("quay-n", False), ("quay-s", False), ("stack-n", True)])
def test_a_shuttle_knows_the_places_that_it_serves(to: str, unknown: bool) -> None:
    """SHT-03."""
    ferry = Judged(SITE, SITE.nodes["ferry"])
    assert holds("place_unknown", {"act": "run", "to": to}, ferry) is unknown


def test_an_act_without_places_has_none_that_is_unknown() -> None:
    for act in ("park", "home", "jog", "resume", "run"):
        assert holds("place_unknown", {"act": act, "to": "nowhere", "to_slot": 0}) is False
    siding = Judged(SITE, SITE.nodes["siding"])
    assert holds("place_unknown", {"act": "admit"}, siding) is False


@pytest.mark.parametrize(("reading", "outside"), [(101, True), (102, False), (405, False), (406, True)])
@pytest.mark.parametrize("ends", [(STACK, TRACK), (TRACK, STACK), (None, TRACK)])
def test_a_reading_lies_in_the_measured_table(ends: Any, reading: int, outside: bool) -> None:
    """CRN-06: a crane refuses a reading outside it."""
    assert holds("outside_table", between(*ends, reading=reading)) is outside
    assert holds("outside_table", {"act": "jog", "reading": reading, "to": "siding", "to_slot": 0}) is False
    assert holds("outside_table", between(*ends)) is False
    ferry = Judged(SITE, SITE.nodes["ferry"])
    assert holds("outside_table", between(*ends, reading=reading), ferry) is False


def test_no_table_no_reading_outside_of_it() -> None:
    assert holds("outside_table", between(STACK, DECK, reading=1)) is False
    assert holds("outside_table", between(STACK, ("nowhere", 0), reading=1)) is False
    assert holds("outside_table", between(TRACK, ("nowhere", 0), reading=1)) is True


# ---------------------------------------------------------------- the limits of the axes
def limited(**limits: Any) -> Judged:
    """The crane with other limits of its first axis."""
    return judged(crane=replace(CRANE, axes=(replace(AXIS, **limits), *CRANE.axes[1:])))


LEAST, MOST = [axis.least for axis in CRANE.axes], [axis.most for axis in CRANE.axes]


@pytest.mark.parametrize("axis", [0, 1, 2])
@pytest.mark.parametrize(
    ("limits", "by", "beyond"),
    [
        (LEAST, 0, False),
        (LEAST, -1, True),
        (LEAST, 1, False),
        (MOST, 0, False),
        (MOST, 1, True),
        (MOST, -1, False),
    ],
)
def test_a_jog_goes_to_the_limit_of_each_axis(axis: int, limits: list[int], by: int, beyond: bool) -> None:
    """CRN-04: a target outside the limits of an axis is refused."""
    target = [*limits[:axis], limits[axis] + by, *limits[axis + 1 :]]
    assert holds("out_of_reach", {"act": "jog", "target": target}) is beyond


def test_a_jog_has_a_target_for_each_axis() -> None:
    """CRN-04: one of the wrong number of axes is refused too."""
    for target in (LEAST[:-1], [*LEAST, 0], []):
        assert holds("out_of_reach", {"act": "jog", "target": target}) is True


def test_what_goes_to_no_place_is_within_reach() -> None:
    far = [one + 1 for one in MOST]
    assert holds("out_of_reach", {"act": "park", "target": far}) is False
    ferry = Judged(SITE, SITE.nodes["ferry"])
    assert holds("out_of_reach", {"act": "jog", "target": far}, ferry) is False


@pytest.mark.parametrize(("most", "beyond"), [(159, True), (160, False), (161, False)])
@pytest.mark.parametrize("ends", [(STACK, ("stack-s", 1)), (None, STACK)])
def test_a_slot_that_was_measured_is_reached_or_not(ends: Any, most: int, beyond: bool) -> None:
    """Both ends lie at 160 on the first axis; no board rounds what it does not work out."""
    assert holds("out_of_reach", between(*ends), limited(most=most)) is beyond


def test_one_end_out_of_reach_is_enough_and_one_that_is_not_known_leaves_it_open() -> None:
    within = limited(most=160)
    assert holds("out_of_reach", between(STACK, DECK, **BY_STOP), limited(least=61)) is True
    assert holds("out_of_reach", between(DECK, STACK, **BY_STOP), limited(least=61)) is True
    assert holds("out_of_reach", between(STACK, ("nowhere", 0)), within) is None
    assert holds("out_of_reach", between(STACK, ("stack-s", 2)), within) is None
    assert holds("out_of_reach", between(STACK, ("nowhere", 0)), limited(most=159)) is True


@pytest.mark.parametrize(
    ("slot", "reading", "target"),
    [(0, 102, 312), (0, 128, 315), (1, 128, 455), (2, 128, 595), (0, 405, 346), (0, 141, 318),
     (0, 115, 314), (0, 306, 336), (0, 372, 342)],
)  # fmt: skip
def test_a_reading_becomes_a_target_by_the_line_between_two_entries(
    slot: int, reading: int, target: int
) -> None:
    """CRN-06; a board may round as it likes, so within one unit of a limit nothing is said."""

    def beyond(**limits: int) -> bool | None:
        return holds("out_of_reach", between(None, ("siding", slot), reading=reading), limited(**limits))

    assert [beyond(most=target + by) for by in (-2, -1, 0, 1)] == [True, None, None, False]
    assert [beyond(least=target + by) for by in (-1, 0, 1, 2)] == [False, None, None, True]


@pytest.mark.parametrize(
    ("reading", "beyond"), [(101, None), (102, False), (405, False), (406, None), (None, None)]
)
def test_without_a_reading_in_the_table_nothing_is_said_of_a_berth(
    reading: int | None, beyond: bool | None
) -> None:
    more = {} if reading is None else {"reading": reading}
    assert holds("out_of_reach", between(None, TRACK, **more)) is beyond


def test_one_axis_at_its_least_and_another_at_its_most_leave_it_open_too() -> None:
    axes = (replace(AXIS, most=315), replace(CRANE.axes[1], least=60), CRANE.axes[2])
    where = judged(crane=replace(CRANE, axes=axes))
    assert holds("out_of_reach", between(None, TRACK, reading=128), where) is None


def test_of_a_crane_and_a_shuttle_in_one_node_each_knows_its_own_places() -> None:
    both = Judged(SITE, replace(SOUTH, roles=("crane", "shuttle"), shuttle=SITE.nodes["ferry"].shuttle))
    assert holds("place_unknown", between(STACK, ("stack-s", 1)), both) is False
    assert holds("place_unknown", between(STACK, ("quay-n", 0)), both) is True
    assert holds("place_unknown", {"act": "run", "to": "quay-n"}, both) is False
    assert holds("place_unknown", {"act": "run", "to": "stack-s"}, both) is True
