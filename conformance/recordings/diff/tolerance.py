"""How far figures of two runs may differ before that is a difference: what the site file says."""

from __future__ import annotations

from typing import Any

from protocol.position_table import OutsideTable, PositionTable
from protocol.site import PlaceKind, Site

LEAST_UNITS = 1
"""Axis positions are rounded: one unit is nothing, site file or not."""


class Tolerance:
    """Without a site file every figure but two has to be the same: axis targets within one unit."""

    def __init__(self, site: Site | None) -> None:
        self._site = site
        self._tables: dict[str, PositionTable] = {}
        self._most: dict[str, int] = {}
        self._cranes = LEAST_UNITS
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
                    self._cranes = max(self._cranes, berth.tolerance)

    def axis(self, node: str, number: int) -> str:
        """What the site file calls an axis of a crane; without one its number, counted from 1."""
        crane = self._site.nodes[node].crane if self._site is not None and node in self._site.nodes else None
        known = crane is not None and number <= len(crane.axes)
        return crane.axes[number - 1].name if crane is not None and known else str(number)

    def covers(self, node: str, figure: str, was: Any, is_: Any) -> bool:
        """Whether `is_` is as good as `was`."""
        if figure == "arm_to_end":
            return True  # Its locomotive's speed; a reading that comes of it is compared by itself.
        if type(was) is not int or type(is_) is not int:
            return False
        if figure.startswith("target"):
            return abs(was - is_) <= self._cranes
        if figure == "reading" and node in self._most:
            table = self._tables[node]
            try:
                return abs(table.position(was) - table.position(is_)) <= self._most[node]
            except OutsideTable:
                return False
        return False
