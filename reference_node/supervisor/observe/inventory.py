"""Which box is where: places, slots, spreaders, and what is under way between them.

A slot holds a box, nothing ('') or nobody knows what ('?'). A box is in one place: heard of in two, both are
unsure [SUP-17]. Only outcomes of orders and a person's word change the inventory.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from protocol.site import Site

EMPTY = ""
UNSURE = "?"


def in_words(held: str) -> str:
    """What a slot or spreader holds."""
    return {EMPTY: "nothing", UNSURE: "nobody knows what"}.get(held, held)


@dataclass(frozen=True, slots=True)
class Spot:
    """One slot of one place."""

    place: str
    slot: int


@dataclass(frozen=True, slots=True)
class Carriage:
    """A box on its way by one crane; `source` is None when it hung in the spreader at the start."""

    box: str
    source: Spot | None
    target: Spot


class Inventory:
    """What a supervisor holds to be true of the boxes of one site; at first nothing is sure."""

    def __init__(self, site: Site) -> None:
        self.site = site
        self.slots = {place.name: [UNSURE] * place.slots for place in site.places.values()}
        self.spreaders = {node.name: UNSURE for node in site.with_role("crane")}
        self.carriages: dict[str, Carriage] = {}
        """Crane to what it carries by its open order."""
        self.in_motion: set[str] = set()
        """Tracks whose train has been told to come or to go."""
        self.conflicts: list[str] = []
        """What was heard that cannot be true together with what was known: a box in two places, one gone."""
        self.gone: list[str] = []
        """Boxes that surely stood on a train when it left."""

    # ------------------------------------------------------------ questions
    def at(self, spot: Spot) -> str:
        """What `spot` holds. Raises KeyError or IndexError for a spot that the site does not have."""
        return self.slots[spot.place][spot.slot]

    def find(self, box: str) -> Spot | None:
        """The slot that holds `box`, if one surely does."""
        for place, slots in self.slots.items():
            if box in slots:
                return Spot(place, slots.index(box))
        return None

    def held_by(self, box: str) -> str | None:
        """The crane whose spreader holds `box`, if one surely does."""
        return next((crane for crane, held in self.spreaders.items() if held == box), None)

    def under_way(self, box: str) -> bool:
        """Whether an open order carries `box`."""
        return any(carriage.box == box for carriage in self.carriages.values())

    def is_sure(self, place: str) -> bool:
        """Whether every slot of `place` is known."""
        return UNSURE not in self.slots[place]

    def shown(self, place: str) -> tuple[str, ...]:
        """The slots of `place` as a yard-map tells them: those of an open order are unsure."""
        if place in self.in_motion:
            return (UNSURE,) * len(self.slots[place])
        slots = list(self.slots[place])
        for carriage in self.carriages.values():
            for spot in (carriage.source, carriage.target):
                if spot is not None and spot.place == place:
                    slots[spot.slot] = UNSURE
        return tuple(slots)

    def can_pick(self, spot: Spot) -> bool:
        """Whether `spot` surely holds a box with nothing on top."""
        above = self.site.places[spot.place].above(spot.slot)
        return self.at(spot) not in (EMPTY, UNSURE) and (
            above is None or self.at(Spot(spot.place, above)) == EMPTY
        )

    def can_put(self, spot: Spot) -> bool:
        """Whether `spot` is surely empty and stands on the ground or on a box that is known."""
        below = self.site.places[spot.place].below(spot.slot)
        return self.at(spot) == EMPTY and (
            below is None or self.at(Spot(spot.place, below)) not in (EMPTY, UNSURE)
        )

    def why_not_put(self, spot: Spot) -> str:
        """Why no box can be put on `spot` now, in words; '' where `can_put`."""
        held, where = self.at(spot), f"slot {spot.slot} of {spot.place}"
        below = self.site.places[spot.place].below(spot.slot)
        if held == UNSURE:
            return f"{where} is not known to be free: tell what stands there"
        if held != EMPTY:
            return f"{where} is not free: {held} stands there"
        if below is None or self.can_put(spot):
            return ""
        if self.at(Spot(spot.place, below)) == UNSURE:
            return (
                f"nobody knows whether a box stands in slot {below} of {spot.place}, below slot {spot.slot}"
            )
        return f"{where} is in mid-air: nothing stands in slot {below} below it"

    def free_slot(self, place: str) -> Spot | None:
        """The first slot of `place` on which a box can be put."""
        spots = (Spot(place, slot) for slot in range(self.site.places[place].slots))
        return next((spot for spot in spots if self.can_put(spot)), None)

    # ------------------------------------------------------------ a person's word, a believed yard-map
    def tell(self, place: str, contents: Sequence[str]) -> None:
        """Set every slot of `place`. Raises ValueError for the wrong number of slots."""
        if len(contents) != len(self.slots[place]):
            raise ValueError(f"{place} has {len(self.slots[place])} slots, not {len(contents)}")
        self.slots[place] = [EMPTY] * len(contents)
        for slot, box in enumerate(contents):
            self._set(Spot(place, slot), box)

    def tell_slot(self, spot: Spot, box: str) -> None:
        """Set one slot. Raises KeyError or IndexError for a spot that the site does not have."""
        self.doubt_slot(spot)
        self._set(spot, box)

    def tell_spreader(self, crane: str, box: str) -> None:
        """Set what the spreader of `crane` holds."""
        self.spreaders[crane] = EMPTY
        if box not in (EMPTY, UNSURE) and self._seen_elsewhere(box):
            box = UNSURE
        self.spreaders[crane] = box

    def clear_track(self, place: str) -> None:
        """The train is gone, and what stood on it."""
        self.slots[place] = [EMPTY] * len(self.slots[place])

    def depart(self, place: str) -> None:
        """The train has left by its berth's own word, with what stood on it."""
        self.gone += [box for box in self.slots[place] if box not in (EMPTY, UNSURE)]
        self.clear_track(place)

    # ------------------------------------------------------------ orders
    def begin(self, crane: str, carriage: Carriage) -> None:
        """An order that carries a box goes out; nothing is known to have moved yet."""
        self.carriages[crane] = carriage

    def end(self, crane: str, state: str, load: str) -> None:
        """The order of `crane` ended in `state`; `load` is what its last report said that the spreader holds.

        done: the box is at its target. cancelled and refused: nothing moved. failed: with a box held the box
        is in the spreader, else it is unsure. unknown: the caller doubts all that the crane reaches [SUP-09].
        """
        carriage = self.carriages.pop(crane, None)
        if carriage is None or state in ("cancelled", "refused"):
            return
        if state == "done":
            self._lift(crane, carriage)
            self.spreaders[crane] = EMPTY
            self._set(carriage.target, carriage.box)
        elif state == "failed" and load == "box":
            self._lift(crane, carriage)
            self.spreaders[crane] = carriage.box
        else:
            for spot in (carriage.source, carriage.target):
                if spot is not None:
                    self.slots[spot.place][spot.slot] = UNSURE
            self.spreaders[crane] = EMPTY if load == "none" else UNSURE

    def doubt(self, node: str) -> None:
        """Nobody knows any more what stands where `node` works: crane, berth or shuttle [SUP-09]."""
        if node in self.spreaders:
            self.spreaders[node] = UNSURE
            self.carriages.pop(node, None)
        for place in self.places_of(node):
            self.doubt_place(place)

    def doubt_place(self, place: str) -> None:
        """Nobody knows any more what stands in `place`."""
        self.slots[place] = [UNSURE] * len(self.slots[place])

    def doubt_slot(self, spot: Spot) -> None:
        """Nobody knows any more what `spot` holds."""
        self.slots[spot.place][spot.slot] = UNSURE

    def places_of(self, node: str) -> tuple[str, ...]:
        """The places whose contents rest on the word of `node`."""
        return tuple(place for place in self.slots if node in self.rests_on(place))

    def rests_on(self, place: str) -> tuple[str, ...]:
        """The nodes on whose word the contents of `place` rest: the cranes that reach it and its owner."""
        owner = self.site.places[place].node
        return self.site.cranes_reaching(place) + ((owner,) if owner else ())

    # ------------------------------------------------------------ one box, one place
    def _lift(self, crane: str, carriage: Carriage) -> None:
        if carriage.source is None:
            self.spreaders[crane] = EMPTY
        elif self.at(carriage.source) == carriage.box:
            self.slots[carriage.source.place][carriage.source.slot] = EMPTY

    def _set(self, spot: Spot, box: str) -> None:
        if box not in (EMPTY, UNSURE) and self._seen_elsewhere(box):
            box = UNSURE
        self.slots[spot.place][spot.slot] = box

    def _seen_elsewhere(self, box: str) -> bool:
        """Whether `box` is held to be somewhere; that place becomes unsure [SUP-17]."""
        spot, crane = self.find(box), self.held_by(box)
        if spot is not None:
            self.conflicts.append(
                f"box {box} is heard of at another place than {spot.place} slot {spot.slot}"
            )
            self.doubt_slot(spot)
        if crane is not None:
            self.conflicts.append(f"box {box} is heard of elsewhere than in the spreader of {crane}")
            self.spreaders[crane] = UNSURE
        return spot is not None or crane is not None
