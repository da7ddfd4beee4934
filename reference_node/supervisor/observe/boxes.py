"""Which box is where at one time: places, slots, spreaders, and what is under way between them.

A slot holds a box, nothing ('') or nobody knows what ('?').
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence, Set
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


class BoxQueries:
    """What can be asked of boxes and places, whether they still change or are a picture of one time."""

    site: Site
    slots: Mapping[str, Sequence[str]]
    """Place to what each of its slots holds, slot 0 first."""
    spreaders: Mapping[str, str]
    """Crane to what its spreader holds."""
    carriages: Mapping[str, Carriage]
    """Crane to what it carries by its open order."""
    in_motion: Set[str]
    """Tracks whose train has been told to come or to go."""

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

    def places_of(self, node: str) -> tuple[str, ...]:
        """The places whose contents rest on the word of `node`."""
        return tuple(place for place in self.slots if node in self.rests_on(place))

    def rests_on(self, place: str) -> tuple[str, ...]:
        """The nodes on whose word the contents of `place` rest: the cranes that reach it and its owner."""
        owner = self.site.places[place].node
        return self.site.cranes_reaching(place) + ((owner,) if owner else ())


@dataclass(frozen=True, slots=True)
class Boxes(BoxQueries):
    """Where the boxes are at one time; it does not change any more."""

    site: Site
    slots: Mapping[str, tuple[str, ...]]
    spreaders: Mapping[str, str]
    carriages: Mapping[str, Carriage]
    in_motion: frozenset[str]
