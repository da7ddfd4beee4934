"""What a person says stands somewhere: nothing in mid-air, no box in two places, no label that is none."""

from __future__ import annotations

from collections.abc import Sequence

from reference_node.supervisor.observe.boxes import EMPTY, UNSURE, Spot, in_words
from reference_node.supervisor.observe.inventory import Inventory
from reference_node.supervisor.person.goal_check import not_a_label
from reference_node.supervisor.person.request import Prepared, Ready
from reference_node.supervisor.supervisor import Supervisor


def slot(supervisor: Supervisor, place: str, number: int, box: str | None) -> Prepared:
    """A person says what one slot holds; None for nothing. Not while anything works there."""
    site = supervisor.site
    known = site.places.get(place)
    if known is None or not 0 <= number < known.slots:
        return f"there is no {place} slot {number}; places are: {', '.join(site.places)}"
    if not supervisor.was_owned:
        return "not all nodes are there yet"
    if not supervisor.new_rules(supervisor.look()).clear_for_a_person(known.node, place):
        return f"something works at {place}; say it when it has come to its end"
    spot, held = Spot(place, number), box or EMPTY
    why = (not_a_label(held, "box") if held else "") or _elsewhere(supervisor.inventory, held, spot)
    slots = list(supervisor.inventory.slots[place])
    slots[number] = held
    why = why or in_mid_air(supervisor.inventory, place, slots)
    if why:
        return why

    def tell() -> None:
        supervisor.inventory.tell_slot(spot, held)
        supervisor.note(f"told: {place} slot {number} holds {in_words(held)}")

    return Ready(f"{place} slot {number} is taken to hold {in_words(held)}", tell)


def slots(supervisor: Supervisor, place: str, found: Sequence[str]) -> str:
    """Why `found` cannot be what stands in all slots of `place`; '' where it can."""
    twice = [box for box in found if box and list(found).count(box) > 1]
    if twice:
        return f"box {twice[0]} cannot stand in two slots of {place}"
    return (
        in_mid_air(supervisor.inventory, place, found)
        if len(found) == len(supervisor.inventory.slots[place])
        else ""
    )


def in_mid_air(inventory: Inventory, place: str, held: Sequence[str]) -> str:
    """Why a place cannot hold that: a box over an empty slot; '' where it can."""
    for number, box in enumerate(held):
        below = inventory.site.places[place].below(number)
        if box not in (EMPTY, UNSURE) and below is not None and held[below] == EMPTY:
            return (
                f"slot {number} of {place} would hold {box} in mid-air: nothing stands in slot {below} below it; "
                f"say first what stands in slot {below if box != inventory.at(Spot(place, number)) else number}"
            )
    return ""


def _elsewhere(inventory: Inventory, box: str, spot: Spot) -> str:
    """A label that is in use already: a box is in one place."""
    if box == EMPTY:
        return ""
    other, crane = inventory.find(box), inventory.held_by(box)
    if crane is not None:
        return f"box {box} hangs in the spreader of {crane}; two boxes cannot have one label"
    if other is None or other == spot:
        return ""
    return (
        f"box {box} stands in slot {other.slot} of {other.place} already, and two boxes cannot have one label; if it "
        f"was moved by hand, say first what slot {other.slot} of {other.place} holds now"
    )
