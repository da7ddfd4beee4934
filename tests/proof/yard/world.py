"""What is really so: where every box is, what stands where. One value; every change makes another."""

from __future__ import annotations

from typing import NamedTuple

Slot = tuple[str, int]


class Accident(Exception):
    """Something happened that must never happen: a box let go where none can stand."""


class World(NamedTuple):
    """Boxes in slots and spreaders, shuttles at stops ('' between two), trains: away, moving or at rest."""

    boxes: tuple[tuple[Slot, str], ...] = ()
    held: tuple[tuple[str, str], ...] = ()
    stands: tuple[tuple[str, str], ...] = ()
    trains: tuple[tuple[str, str], ...] = ()
    gone: tuple[str, ...] = ()
    """Boxes that have left with a train, or that a person has taken away."""

    def box_at(self, slot: Slot) -> str:
        return next((box for where, box in self.boxes if where == slot), "")

    def box_held(self, crane: str) -> str:
        return next((box for who, box in self.held if who == crane), "")

    def stand_of(self, shuttle: str) -> str:
        return next((stop for who, stop in self.stands if who == shuttle), "")

    def train_of(self, berth: str) -> str:
        return next((state for who, state in self.trains if who == berth), "")

    def taken(self, crane: str, slot: Slot) -> World:
        """The box in `slot` hangs in the spreader."""
        box = self.box_at(slot)
        left = tuple(one for one in self.boxes if one[0] != slot)
        return self._replace(boxes=left, held=tuple(sorted({**dict(self.held), crane: box}.items())))

    def put(self, crane: str, slot: Slot | None) -> World:
        """The spreader lets go. Raises Accident where no box can stand."""
        box = self.box_held(crane)
        if slot is None:
            raise Accident(f"{crane} let go of {box} where there is no slot")
        if self.box_at(slot):
            raise Accident(f"{crane} let go of {box} on top of {self.box_at(slot)} in {slot}")
        held = tuple(one for one in self.held if one[0] != crane)
        return self._replace(boxes=tuple(sorted([*self.boxes, (slot, box)])), held=held)

    def with_stand(self, shuttle: str, stop: str) -> World:
        return self._replace(stands=tuple(sorted({**dict(self.stands), shuttle: stop}.items())))

    def with_train(self, berth: str, state: str) -> World:
        return self._replace(trains=tuple(sorted({**dict(self.trains), berth: state}.items())))

    def without_boxes(self, place: str) -> World:
        """What stood there has been taken away, or has left with the train."""
        gone = [box for slot, box in self.boxes if slot[0] == place]
        left = tuple(one for one in self.boxes if one[0][0] != place)
        return self._replace(boxes=left, gone=tuple(sorted([*self.gone, *gone])))

    @property
    def labels(self) -> list[str]:
        """Every box, once for each place in which it is."""
        return sorted([*(box for _, box in self.boxes), *(box for _, box in self.held), *self.gone])
