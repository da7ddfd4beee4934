"""Which box is where: places, slots, spreaders, and what is under way between them.

A slot holds a box, nothing ('') or nobody knows what ('?'). A box is in one place: heard of in two, both are
unsure [SUP-17]. Only outcomes of orders and a person's word change the inventory.
"""

from __future__ import annotations

from collections.abc import Sequence
from types import MappingProxyType

from protocol.site import Site
from reference_node.supervisor.observe.boxes import EMPTY, UNSURE, Boxes, BoxQueries, Carriage, Spot


class Inventory(BoxQueries):
    """What a supervisor holds to be true of the boxes of one site; at first nothing is sure."""

    def __init__(self, site: Site) -> None:
        self.site = site
        self.slots: dict[str, list[str]] = {
            place.name: [UNSURE] * place.slots for place in site.places.values()
        }
        self.spreaders: dict[str, str] = {node.name: UNSURE for node in site.with_role("crane")}
        self.carriages: dict[str, Carriage] = {}
        """Crane to what it carries by its open order."""
        self.in_motion: set[str] = set()
        """Tracks whose train has been told to come or to go."""
        self.conflicts: list[str] = []
        """What was heard that cannot be true together with what was known: a box in two places, one gone."""
        self.gone: list[str] = []
        """Boxes that surely stood on a train when it left."""

    def now(self) -> Boxes:
        """A picture of how it is now."""
        return Boxes(
            self.site,
            MappingProxyType({place: tuple(slots) for place, slots in self.slots.items()}),
            MappingProxyType(dict(self.spreaders)),
            MappingProxyType(dict(self.carriages)),
            frozenset(self.in_motion),
        )

    def take_conflicts(self) -> list[str]:
        """What could not be true since the last call [SUP-17]."""
        found, self.conflicts = self.conflicts, []
        return found

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

    def begin_train(self, berth: str) -> None:
        """An order goes out that lets a train in or lets it go."""
        self.in_motion.update(self._tracks_of(berth))

    def end_train(self, berth: str, act: str, state: str, brings: Sequence[str]) -> None:
        """An admit or depart ended in `state`. `brings`: what stands on the train that was let in, () if unknown."""
        for track in self._tracks_of(berth):
            self.in_motion.discard(track)
            if state == "done" and act == "depart":
                self.depart(track)
            elif state == "done" and brings:
                self.tell(track, brings)
            elif state not in ("refused", "cancelled"):
                self.doubt_place(track)

    def _tracks_of(self, berth: str) -> list[str]:
        return [place.name for place in self.site.places.values() if place.node == berth]

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
