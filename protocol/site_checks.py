"""What no schema can say of a site file: names that must agree, positions that must lie within reach."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

from protocol.site import Axis, CranePlace, CraneSite, NodeSite, Place, PlaceKind, Site
from protocol.specification import specification

_HOME = {PlaceKind.TRACK: "berth", PlaceKind.DECK: "shuttle"}

MOST_NODES = 200
MOST_PLACES = 500
"""More of them than any yard has; plans over more would take for ever."""


@dataclass(frozen=True, slots=True)
class SiteProblem:
    """One mistake in a site file: where (dotted path of keys), what, and how to fix it."""

    where: str
    what: str
    fix: str

    def __str__(self) -> str:
        return f"{self.where}: {self.what}. {self.fix}"


def sense_problems(site: Site) -> Iterator[SiteProblem]:
    """Every mistake of a site whose file has the right shape."""
    if len(site.nodes) > MOST_NODES or len(site.places) > MOST_PLACES:
        what = f"{len(site.nodes)} nodes and {len(site.places)} places"
        fix = f"A site has at most {MOST_NODES} nodes and {MOST_PLACES} places; divide it into several"
        yield SiteProblem("the file", what, fix)
        return
    for node in site.nodes.values():
        yield from _node_problems(site, node)
        if node.crane is not None:
            yield from _crane_problems(site, node.name, node.crane)
    for place in site.places.values():
        yield from _place_problems(site, place)


def _node_problems(site: Site, node: NodeSite) -> Iterator[SiteProblem]:
    where = f"nodes.{node.name}"
    if node.name == specification().everyone:
        yield SiteProblem(where, f"no node may be called {node.name!r} [LNK-17]", "Choose another name")
    for role, part in (("crane", node.crane), ("berth", node.berth), ("shuttle", node.shuttle)):
        if role in node.roles and part is None:
            yield SiteProblem(
                where, f"has the role {role} but no part [{where}.{role}]", "Add it, or drop the role"
            )
        if role not in node.roles and part is not None:
            yield SiteProblem(
                f"{where}.{role}",
                f"described, but {node.name} has no role {role}",
                "Add the role, or drop the part",
            )
    for role, kind in (("berth", "track"), ("shuttle", "deck")):
        own = [place for place in site.places.values() if place.node == node.name and place.kind == kind]
        if role in node.roles and len(own) != 1:
            yield SiteProblem(
                where,
                f"a {role} needs exactly one place of kind {kind}, this one has {len(own)}",
                f'Give one place kind = "{kind}" and node = "{node.name}"',
            )


def _place_problems(site: Site, place: Place) -> Iterator[SiteProblem]:
    where = f"places.{place.name}"
    role = _HOME.get(place.kind)
    if role is None:
        if place.node:
            yield SiteProblem(f"{where}.node", "a stack has no node", "Drop it")
    elif place.node not in site.nodes or role not in site.nodes[place.node].roles:
        yield SiteProblem(
            f"{where}.node",
            f"{place.node!r} is not a node with the role {role}",
            f"Name the {role} of this {place.kind}",
        )
    if place.slots > 32:
        yield SiteProblem(where, f"{place.slots} slots; a yard-map has room for 32", "Make two places of it")


def _crane_problems(site: Site, name: str, crane: CraneSite) -> Iterator[SiteProblem]:
    where = f"nodes.{name}.crane"
    names = [axis.name for axis in crane.axes]
    if len(set(names)) != len(names):
        yield SiteProblem(f"{where}.axes", f"two axes have one name: {', '.join(names)}", "Rename one")
    for index, axis in enumerate(crane.axes):
        if axis.least >= axis.most:
            yield SiteProblem(
                f"{where}.axes.{index}", f"least {axis.least} is not below most {axis.most}", "Exchange them"
            )
        for what, position in (("home", axis.home), ("park", axis.park)):
            yield from _within(f"{where}.axes.{index}.{what}", axis, position)
    yield from _within(f"{where}.travel", crane.axes[-1], crane.travel)
    for entry in crane.places.values():
        yield from _crane_place_problems(site, f"{where}.places.{entry.place}", crane, entry)


def _crane_place_problems(
    site: Site, where: str, crane: CraneSite, entry: CranePlace
) -> Iterator[SiteProblem]:
    place = site.places.get(entry.place)
    if place is None:
        yield SiteProblem(
            where,
            "there is no such place",
            f"Add [places.{entry.place}], or fix the name: {', '.join(site.places)}",
        )
        return
    if len(entry.slots) != place.slots:
        yield SiteProblem(
            f"{where}.slots",
            f"{len(entry.slots)} positions for {place.slots} slots",
            "Give one for every slot, tiers counted",
        )
    yield from _table_problems(where, place, entry)
    yield from _stop_problems(site, where, place, entry)
    shifts = [position for _, position in entry.table] or [0]
    for index, slot in enumerate(entry.slots):
        if len(slot) != len(crane.axes):
            yield SiteProblem(
                f"{where}.slots.{index}",
                f"{len(slot)} figures for {len(crane.axes)} axes",
                "Give one for every axis",
            )
            continue
        for axis, position in zip(crane.axes, slot, strict=True):
            reach = (min(shifts), max(shifts)) if axis is crane.axes[0] else (0, 0)
            for shift in sorted(set(reach)):
                yield from _within(f"{where}.slots.{index}", axis, position + shift)


def _table_problems(where: str, place: Place, entry: CranePlace) -> Iterator[SiteProblem]:
    if (place.kind is PlaceKind.TRACK) != bool(entry.table):
        what = (
            "a track needs a table of rest readings"
            if not entry.table
            else f"a {place.kind} has no table of rest readings"
        )
        yield SiteProblem(
            f"{where}.table", what, "Measure at least two readings" if not entry.table else "Drop it"
        )
    readings = [reading for reading, _ in entry.table]
    if any(later <= earlier for earlier, later in pairwise(readings)):
        yield SiteProblem(
            f"{where}.table",
            "readings do not go up from row to row",
            "Sort the rows; no reading may stand twice",
        )


def _stop_problems(site: Site, where: str, place: Place, entry: CranePlace) -> Iterator[SiteProblem]:
    if place.kind is not PlaceKind.DECK:
        if entry.at:
            yield SiteProblem(
                f"{where}.at", f"only a deck stands 'at' a stop, this is a {place.kind}", "Drop it"
            )
        return
    owner = site.nodes.get(place.node)
    stops = owner.shuttle.stops if owner is not None and owner.shuttle is not None else ()
    if entry.at not in stops:
        yield SiteProblem(
            f"{where}.at",
            f"{entry.at!r} is not a stop of {place.node!r}",
            f"Its stops are: {', '.join(stops)}",
        )


def _within(where: str, axis: Axis, position: int) -> Iterator[SiteProblem]:
    if not axis.least <= position <= axis.most:
        yield SiteProblem(
            where,
            f"{axis.name} = {position} {axis.unit} is outside {axis.least} to {axis.most}",
            "Fix the position or the limits",
        )
