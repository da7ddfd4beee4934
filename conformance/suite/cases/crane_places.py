"""Where a crane goes: places, slots, stops, and the measured table of a track."""

from __future__ import annotations

from typing import Any

from conformance.oracle.link_log import Message
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
from conformance.suite.fixture import Stand
from conformance.suite.preamble import crane_ready
from protocol.position_table import PositionTable

NOWHERE = "no-place"
AT_A_TRACK: dict[str, Any] = {"reading": None, "arrival": 7, "berth_boot": 4711}


@case("CRN-05", after=("crane-homes",), roles=CRANE, moves=True, applies=has_two_slots)
def crane_place(stand: Stand) -> None:
    """A transfer from or to a place or slot that the crane does not know is refused 'place'.

    Orders transfers with an unknown place and with a slot one behind the last, as source and as target.
    Nothing moves.
    """
    before = crane_ready(stand)
    behind = len(stacks(stand.site, stand.node)[0].slots)
    good = within_a_stack(stand)
    for wrong in (
        {"from_": NOWHERE},
        {"to": NOWHERE},
        {"from_slot": behind},
        {"to_slot": behind},
        {"to_slot": 255},
    ):
        stand.refused(stand.order("transfer", **(good | wrong)), "place", "CRN-05")
    stand.unmoved(before, "CRN-05")


@case("CRN-07", after=("crane-homes",), roles=CRANE, moves=True, applies=has_track)
def crane_track_without_reading(stand: Stand) -> None:
    """A transfer at a berth that names no reading is refused 'place'.

    Orders one from the track without reading, arrival and boot of the berth. Nothing moves.
    """
    before = crane_ready(stand)
    track = tracks(stand.site, stand.node)[0].place
    target = other_place(stand, track)
    sent = stand.order(
        "transfer", from_=track, from_slot=0, to=target, to_slot=0, box=BOX, **stop_at(stand, target)
    )
    stand.refused(sent, "place", "CRN-07")
    stand.unmoved(before, "CRN-07")


@case("CRN-07", after=("crane-homes",), roles=CRANE, moves=True, applies=has_deck)
def crane_deck_without_stop(stand: Stand) -> None:
    """A transfer at a shuttle that names no stop is refused 'place'.

    Orders one from a stack to the deck without stop and boot of the shuttle. Nothing moves.
    """
    before = crane_ready(stand)
    deck = decks(stand.site, stand.node)[0].place
    source = next((place.place for place in stacks(stand.site, stand.node)), deck)
    sent = stand.order("transfer", from_=source, from_slot=0, to=deck, to_slot=0, box=BOX)
    stand.refused(sent, "place", "CRN-07")
    stand.unmoved(before, "CRN-07")


@case("CRN-06", after=("crane-homes",), roles=CRANE, moves=True, applies=has_track)
def crane_outside_table(stand: Stand) -> None:
    """A rest reading outside the measured table is refused 'outside-table'.

    Orders transfers from the track with readings one below, one above and at random beyond the table's ends.
    """
    before = crane_ready(stand)
    place = tracks(stand.site, stand.node)[0]
    table = PositionTable.of(place.table)
    target = other_place(stand, place.place)
    far = stand.rng.randrange(2, 3000)
    for reading in (table.low - 1, table.high + 1, table.low - far, table.high + far):
        fields = AT_A_TRACK | {"reading": reading} | stop_at(stand, target)
        sent = stand.order(
            "transfer", from_=place.place, from_slot=0, to=target, to_slot=0, box=BOX, **fields
        )
        stand.refused(sent, "outside-table", "CRN-06")
    stand.unmoved(before, "CRN-06")


@case("CRN-06", after=("crane-outside-table",), roles=CRANE, moves=True, applies=has_track)
def crane_table(stand: Stand) -> None:
    """A reading between two measured ones sends the crane between their positions, on the straight line.

    Orders a transfer from the track with a random reading inside the table and looks at the target of the
    first axis on the way to the pick; then cancels it before anything is picked. Rounding may go either
    way.
    """
    place = tracks(stand.site, stand.node)[0]
    table = PositionTable.of(place.table)
    target = other_place(stand, place.place)
    for _ in range(2):
        crane_ready(stand)
        reading = stand.rng.randrange(table.low, table.high + 1)
        slot = stand.rng.randrange(len(place.slots))
        fields = AT_A_TRACK | {"reading": reading} | stop_at(stand, target)
        sent = stand.order(
            "transfer", from_=place.place, from_slot=slot, to=target, to_slot=0, box=BOX, **fields
        )
        expected = table.position(reading) + place.slots[slot][0]
        seen = _first_targets(stand, sent.before)
        stand.check(
            any(abs(x - expected) <= 1 for x in seen),
            "CRN-06",
            f"a target of {expected} for reading {reading}, slot {slot}",
            f"targets {seen}",
        )
        stand.order("cancel", ref=sent.id)
        stand.ask()


def _first_targets(stand: Stand, after: int) -> list[int]:
    """The targets of the first axis from an order on until the crane would lower to pick."""

    def lowers(message: Message) -> bool:
        return message.name == "job-report" and message.body.get("step") in ("lower-to-pick", "grip")

    def settled() -> bool:
        return bool(targets()) and any(lowers(m) for m in stand.log.sent(after=after))

    def targets() -> list[int]:
        return list(
            dict.fromkeys(m.body["axes"][0][1] for m in stand.log.sent("crane-status", after) if m.body)
        )

    stand.bench.wait(settled, stand.stretched(crane_of(stand).job_timeout_ms))
    return targets()
