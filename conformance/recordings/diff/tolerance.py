"""How far figures of two runs may differ before that is a difference: what the site file says."""

from __future__ import annotations

from typing import Any

from conformance.recordings.diff.meanings import MS_TO_DEADLINE
from protocol.position_table import OutsideTable, PositionTable
from protocol.site import PlaceKind, Site

LEAST_UNITS = 1
"""Axis positions are rounded: one unit is nothing, site file or not."""
LEAST_MS_TO_DEADLINE = 2000
"""A supervisor counts from the uptime that it heard last, in a heartbeat as old as this."""
ARM_TO_END_PART = 0.05
LEAST_ARM_TO_END_MS = 20
"""One train is pushed as fast as the next to so much; another locomotive is a difference."""
IGNORED_PART = 0.2
LEAST_PULSES = 2
"""Pulses that a berth ignores come from wheels and couplings: one more or less is chance."""
FIRST_AXIS = "target of axis 1"


class Tolerance:
    """Without a site file figures have to be the same, but for the least that timers and rounding do."""

    def __init__(self, site: Site | None) -> None:
        self._site = site
        self._tables: dict[str, PositionTable] = {}
        self._most: dict[str, int] = {}
        """Berth, or crane that serves one, to how far a train may stand from where its reading says."""
        if site is not None:
            self._read(site)

    def _read(self, site: Site) -> None:
        for node in site.nodes.values():
            if node.crane is None:
                continue
            for place in node.crane.places.values():
                at = site.places[place.place]
                berth = site.nodes[at.node].berth if at.kind is PlaceKind.TRACK else None
                if place.table and berth is not None:
                    self._tables[at.node] = self._tables[node.name] = PositionTable(place.table)
                    self._most[at.node] = self._most[node.name] = berth.tolerance

    def axis(self, node: str, number: int) -> str:
        """What the site file calls an axis of a crane; without one its number, counted from 1."""
        crane = self._site.nodes[node].crane if self._site is not None and node in self._site.nodes else None
        known = crane is not None and number <= len(crane.axes)
        return crane.axes[number - 1].name if crane is not None and known else str(number)

    def covers(self, node: str, figure: str, was: Any, is_: Any) -> bool:
        """Whether `is_` is as good as `was`."""
        if type(was) is not int or type(is_) is not int:
            return False
        if figure == "arm_to_end":
            return abs(was - is_) <= max(LEAST_ARM_TO_END_MS, ARM_TO_END_PART * was)
        if figure == "ignored":
            return abs(was - is_) <= max(LEAST_PULSES, IGNORED_PART * was)
        if figure == MS_TO_DEADLINE:
            return abs(was - is_) <= LEAST_MS_TO_DEADLINE
        if figure.startswith("target"):
            # Only the first axis follows the train, and only of a crane that serves one.
            return abs(was - is_) <= (
                self._most.get(node, LEAST_UNITS) if figure == FIRST_AXIS else LEAST_UNITS
            )
        if figure == "reading" and node in self._most:
            table = self._tables[node]
            try:
                return abs(table.position(was) - table.position(is_)) <= self._most[node]
            except OutsideTable:
                return False
        return False
