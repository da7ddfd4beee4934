"""The ground truth of a simulated layout: which box really stands where, whatever anybody believes.

Machines of one process share one world, so that a crane picks a box only where there really is one.
Controllers never see it; tests ask it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from protocol.position_table import PositionTable
from protocol.site import CranePlace, PlaceKind, Site
from reference_node.machines.imperfect import ImperfectTrack

REACH = 5.0
"""How far the spreader may stand from a box, on every axis, and still take it or set it down well."""

Slot = tuple[str, int]
IMAGINED = "box"


class World:
    """Boxes by place and slot. `accidents` tells of every box that was let go where none can stand."""

    def __init__(
        self,
        site: Site,
        boxes: Mapping[Slot, str] | None = None,
        *,
        alone: bool = False,
        imperfect: Mapping[tuple[str, str], ImperfectTrack] | None = None,
    ) -> None:
        """`alone`: nobody here has been told what stands where, and other nodes may be elsewhere. Then a slot that
        nobody here has touched holds a box when one is looked for. `imperfect`: by crane and track, what the mechanism
        does between them; a crane over a track without it is as the site file says.
        """
        self.site = site
        self.imperfect = dict(imperfect or {})
        self.boxes: dict[Slot, str] = dict(boxes or {})
        self.gone: list[str] = []
        self.accidents: list[str] = []
        self._alone = alone
        self._emptied: set[Slot] = set()
        self._rest: dict[str, Callable[[str, CranePlace], float | None]] = {}
        self._stands: dict[str, Callable[[], dict[str, float]]] = {}

    def knows_track(self, place: str, first_axis: Callable[[str, CranePlace], float | None]) -> None:
        """A berth's machine says where its train stands on the first axis of a crane; None while it moves."""
        self._rest[place] = first_axis

    def knows_deck(self, place: str, offsets: Callable[[], dict[str, float]]) -> None:
        """A shuttle's machine says how far its car is from each stop."""
        self._stands[place] = offsets

    def slot_at(self, crane: str, position: Sequence[float]) -> Slot | None:
        """The slot whose resting position the spreader of `crane` is at, in its machine coordinates."""
        found = self.site.nodes[crane].crane
        assert found is not None
        for name, place in found.places.items():
            offset = self._offset(crane, name, place)
            if offset is None:
                continue
            for slot, at in enumerate(place.slots):
                true = (at[0] + offset, *at[1:])
                if all(abs(a - b) <= REACH for a, b in zip(true, position, strict=True)):
                    return name, slot
        return None

    def box_at(self, crane: str, position: Sequence[float]) -> str | None:
        """The box that the spreader would close over."""
        slot = self.slot_at(crane, position)
        if slot is None and self._sees_all(crane):
            return None
        if slot is not None and slot in self.boxes:
            return self.boxes[slot]
        return IMAGINED if self._alone and slot not in self._emptied else None

    def take(self, crane: str, position: Sequence[float]) -> None:
        """The box there hangs in the spreader now."""
        slot = self.slot_at(crane, position)
        if slot is not None:
            self.boxes.pop(slot, None)
            self._emptied.add(slot)

    def put(self, crane: str, position: Sequence[float], box: str) -> None:
        """The spreader let go of `box` there."""
        slot = self.slot_at(crane, position)
        if slot is not None and slot not in self.boxes and self._carried(slot):
            self.boxes[slot] = box
        elif self._sees_all(crane):
            where = ", ".join(f"{figure:.0f}" for figure in position)
            self.accidents.append(f"{crane} let go of {box} at {where}, where it cannot stand")

    def depart(self, place: str) -> None:
        """The train has left with whatever stands on it. What stands on the next one nobody here has touched."""
        for slot in [slot for slot in self.boxes if slot[0] == place]:
            self.gone.append(self.boxes.pop(slot))
        self._emptied = {slot for slot in self._emptied if slot[0] != place}

    def _sees_all(self, crane: str) -> bool:
        """Whether every track and deck that `crane` reaches is in this world, so that nothing is where none is seen."""
        found = self.site.nodes[crane].crane
        places = found.places if found is not None else ()
        owned = [name for name in places if self.site.places[name].node]
        return not self._alone or all(name in self._rest or name in self._stands for name in owned)

    def _carried(self, slot: Slot) -> bool:
        """Whether something carries a box there: the ground, or the box below."""
        name, number = slot
        below = self.site.places[name].below(number)
        return below is None or (name, below) in self.boxes or self._alone

    def rests_at(self, crane: str, place: str) -> float | None:
        """Where the train on a track stands on the first axis of `crane`, slots left out; None while it moves."""
        found = self.site.nodes[crane].crane
        assert found is not None
        return self._offset(crane, place, found.places[place])

    def play(self, crane: str) -> float:
        """The play of the first axis of a crane."""
        return max(
            (one.mechanism.play for (name, _), one in self.imperfect.items() if name == crane), default=0.0
        )

    def _offset(self, crane: str, name: str, place: CranePlace) -> float | None:
        """What the first axis has to add to a slot of `place` to be above it; None where it cannot be."""
        kind = self.site.places[name].kind
        if kind is PlaceKind.TRACK:
            where = self._rest.get(name)
            return None if where is None else where(crane, place)
        if kind is PlaceKind.DECK:
            offsets = self._stands.get(name)
            return (0.0 if self._alone else None) if offsets is None else offsets().get(place.at)
        return 0.0


def surveyed(table: Sequence[tuple[int, int]], reading: int) -> float:
    """The axis position of the table at `reading`, or at its nearest end: what a surveyor wrote down."""
    measured = PositionTable(tuple(table))
    return float(measured.position(min(max(reading, measured.low), measured.high)))
