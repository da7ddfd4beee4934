"""Where a crane goes: places, slots, stops, and the measured table of a track."""

from __future__ import annotations

from typing import Any

from conformance.oracle.link_log import Message
from conformance.oracle.wording import in_words
from conformance.suite.case import case
from conformance.suite.crane_site import (
    BOX,
    CRANE,
    crane_of,
    decks,
    has_deck,
    has_track,
    has_two_slots,
    other_place,
    stacks,
    stop_at,
    tracks,
    within_a_stack,
)
from conformance.suite.fixture import Fixture
from conformance.suite.preamble import crane_ready
from protocol.position_table import PositionTable

NOWHERE = "no-place"
AT_A_TRACK: dict[str, Any] = {"reading": None, "arrival": 7, "berth_boot": 4711}


@case("CRN-05", after=("crane-homes",), roles=CRANE, moves=True, applies=has_two_slots)
def crane_place(fixture: Fixture) -> None:
    """A transfer from or to a place or slot that the crane does not know is refused 'place'.

    Orders transfers with an unknown place and with a slot one behind the last, as source and as target.
    Nothing moves.
    """
    before = crane_ready(fixture)
    behind = len(stacks(fixture.site, fixture.node)[0].slots)
    good = within_a_stack(fixture)
    for wrong in (
        {"from_": NOWHERE},
        {"to": NOWHERE},
        {"from_slot": behind},
        {"to_slot": behind},
        {"to_slot": 255},
    ):
        fixture.refused(fixture.order("transfer", **(good | wrong)), "place", "CRN-05")
    fixture.unmoved(before, "CRN-05")


@case("CRN-07", after=("crane-homes",), roles=CRANE, moves=True, applies=has_track)
def crane_track_without_reading(fixture: Fixture) -> None:
    """A transfer at a berth that names no reading is refused 'place'.

    Orders one from the track without reading, arrival and boot of the berth. Nothing moves.
    """
    before = crane_ready(fixture)
    track = tracks(fixture.site, fixture.node)[0].place
    target = other_place(fixture, track)
    sent = fixture.order(
        "transfer", from_=track, from_slot=0, to=target, to_slot=0, box=BOX, **stop_at(fixture, target)
    )
    fixture.refused(sent, "place", "CRN-07")
    fixture.unmoved(before, "CRN-07")


@case("CRN-07", after=("crane-homes",), roles=CRANE, moves=True, applies=has_deck)
def crane_deck_without_stop(fixture: Fixture) -> None:
    """A transfer at a shuttle that names no stop is refused 'place'.

    Orders one from a stack to the deck without stop and boot of the shuttle. Nothing moves.
    """
    before = crane_ready(fixture)
    deck = decks(fixture.site, fixture.node)[0].place
    source = next((place.place for place in stacks(fixture.site, fixture.node)), deck)
    sent = fixture.order("transfer", from_=source, from_slot=0, to=deck, to_slot=0, box=BOX)
    fixture.refused(sent, "place", "CRN-07")
    fixture.unmoved(before, "CRN-07")


@case("CRN-06", after=("crane-homes",), roles=CRANE, moves=True, applies=has_track)
def crane_outside_table(fixture: Fixture) -> None:
    """A rest reading outside the measured table is refused 'outside-table'.

    Orders transfers from the track with readings one below, one above and at random beyond the table's ends.
    """
    before = crane_ready(fixture)
    place = tracks(fixture.site, fixture.node)[0]
    table = PositionTable.of(place.table)
    target = other_place(fixture, place.place)
    far = fixture.rng.randrange(2, 3000)
    for reading in (table.low - 1, table.high + 1, table.low - far, table.high + far):
        fields = AT_A_TRACK | {"reading": reading} | stop_at(fixture, target)
        sent = fixture.order(
            "transfer", from_=place.place, from_slot=0, to=target, to_slot=0, box=BOX, **fields
        )
        fixture.refused(sent, "outside-table", "CRN-06")
    fixture.unmoved(before, "CRN-06")


@case("CRN-06", after=("crane-outside-table",), roles=CRANE, moves=True, applies=has_track)
def crane_table(fixture: Fixture) -> None:
    """A reading between two measured ones sends the crane between their positions, on the straight line.

    Orders transfers from the track with the first and the last reading of the table and with random ones inside it, and
    looks at the target of the first axis on the way to the pick; then cancels each before anything is picked. Rounding
    may go either way.
    """
    place = tracks(fixture.site, fixture.node)[0]
    table = PositionTable.of(place.table)
    target = other_place(fixture, place.place)
    inside = (fixture.rng.randrange(table.low, table.high + 1) for _ in range(2))
    for reading in (table.low, table.high, *inside):
        crane_ready(fixture)
        slot = fixture.rng.randrange(len(place.slots))
        fields = AT_A_TRACK | {"reading": reading} | stop_at(fixture, target)
        sent = fixture.order(
            "transfer", from_=place.place, from_slot=slot, to=target, to_slot=0, box=BOX, **fields
        )
        expected = table.position(reading) + place.slots[slot][0]
        seen = _first_targets(fixture, sent.before)
        fixture.check(
            any(abs(x - expected) <= 1 for x in seen),
            "CRN-06",
            f"a target of {expected} for reading {reading}, slot {slot}",
            f"targets {in_words(seen)}",
        )
        fixture.order("cancel", ref=sent.id)
        fixture.ask()


def _first_targets(fixture: Fixture, after: int) -> list[int]:
    """The targets of the first axis from an order on until the crane would lower to pick."""

    def lowers(message: Message) -> bool:
        return message.name == "job-report" and message.body.get("step") in ("lower-to-pick", "grip")

    def settled() -> bool:
        return bool(targets()) and any(lowers(m) for m in fixture.log.sent(after=after))

    def targets() -> list[int]:
        return list(
            dict.fromkeys(m.body["axes"][0][1] for m in fixture.log.sent("crane-status", after) if m.body)
        )

    fixture.bench.wait(settled, fixture.stretched(crane_of(fixture).job_timeout_ms))
    return targets()
