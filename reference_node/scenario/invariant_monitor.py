"""What must hold at every moment of every scenario, whatever happens."""

from __future__ import annotations

from collections import Counter
from itertools import combinations

from reference_node.scenario.simulated_yard import SimulatedYard
from reference_node.supervisor.observe.boxes import UNSURE
from reference_node.supervisor.observe.neighbours import beside
from reference_node.supervisor.supervisor import Supervisor

KNOWN_BEFORE = 20
"""No more breaches than this are told; the first ones matter."""


class InvariantMonitor:
    """Looks at the truth behind a simulated yard. `breaches` tells every rule that was broken, each once."""

    def __init__(self, yard: SimulatedYard) -> None:
        self.breaches: list[str] = []
        self._yard = yard
        site = yard.site
        self._boxes = Counter(yard.everywhere())
        self._apart = [
            (one, other) for one, other in combinations(yard.machines, 2) if other in beside(site, one)
        ]

    def look(self) -> None:
        """Look at what moves and what fell: cheap enough for every message."""
        yard = self._yard
        for accident in yard.truth.accidents:
            self._found(accident)
        moving = yard.moving()
        if len(moving) > 1:
            for one, other in self._apart:
                if one in moving and other in moving:
                    self._found(f"{one} and {other} move at the same time and may meet")
        for (crane, boot, id_, deed), times in yard.truth.deeds.items():
            if times > 1:
                self._found(f"{crane} did its job {id_} of boot {boot} {times} times ({deed})")

    def compare(self, supervisor: Supervisor) -> None:
        """Look whether every box is in one place, and all that the supervisor is sure of is so."""
        yard = self._yard
        boxes = Counter(yard.everywhere())
        for box in boxes | self._boxes:
            if boxes[box] != 1:
                self._found(f"box {box} is in {boxes[box]} places")
        self._boxes |= boxes
        if yard.meddled or not supervisor.was_owned:
            return
        for place in yard.site.places:
            for slot, (held, really) in enumerate(
                zip(supervisor.inventory.shown(place), yard.really(place), strict=True)
            ):
                if held not in (UNSURE, really):
                    self._found(
                        f"{place} slot {slot} holds {really or 'nothing'}, but {held or 'nothing'} is believed"
                    )

    def _found(self, what: str) -> None:
        if what not in self.breaches and len(self.breaches) < KNOWN_BEFORE:
            self.breaches.append(what)
