"""Where everything lies on the picture of the whole yard: who reaches what, and every slot once. Not to scale.

Cranes stand in a row, below them what they reach: stacks, then tracks with their trains, and at the bottom the lane on
which decks run, with a deck where it is. A box is drawn where it is, also on its way.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from protocol.site import Place, PlaceKind, Site

STEP = 230.0
"""From crane to crane."""
SLOT_WIDTH, SLOT_HEIGHT = 62.0, 20.0
EDGE, HEAD = 8.0, 24.0
GAP = 24.0
CRANE_WIDTH, CRANE_HEIGHT = 150.0, 46.0
TOP = 12.0


@dataclass(frozen=True, slots=True)
class DrawnSlot:
    """One slot, within its place."""

    number: int
    x: float
    y: float


@dataclass(slots=True)
class DrawnPlace:
    """One place; a deck's `x` is where it stands as long as nobody knows where it is."""

    place: Place
    x: float
    y: float
    width: float
    height: float
    slots: list[DrawnSlot]
    stops: list[tuple[str, float]]

    @property
    def middle(self) -> float:
        """The middle of it."""
        return self.x + self.width / 2


@dataclass(frozen=True, slots=True)
class DrawnCrane:
    """One crane."""

    name: str
    x: float
    y: float


@dataclass(frozen=True, slots=True)
class Reach:
    """A crane and a place that it reaches."""

    crane: str
    place: str
    x1: float
    y1: float
    x2: float
    y2: float


@dataclass(frozen=True, slots=True)
class YardPicture:
    """Everything, in drawing units of a pixel each."""

    cranes: list[DrawnCrane]
    places: list[DrawnPlace]
    reaches: list[Reach]
    width: float
    height: float


def yard_picture(site: Site) -> YardPicture:
    """The picture of a site."""
    cranes = [
        DrawnCrane(node.name, GAP + number * STEP, TOP) for number, node in enumerate(site.with_role("crane"))
    ]
    middles = {crane.name: crane.x + CRANE_WIDTH / 2 for crane in cranes}
    rows, y = [], TOP + CRANE_HEIGHT + 44
    for kind in (PlaceKind.STACK, PlaceKind.TRACK, PlaceKind.DECK):
        row = _row(site, [place for place in site.places.values() if place.kind is kind], middles, y)
        if row:
            rows += row
            y = max(place.y + place.height for place in row) + 44
    width = max(
        [place.x + place.width for place in rows] + [crane.x + CRANE_WIDTH for crane in cranes] + [300.0]
    )
    drawn = {place.place.name: place for place in rows}
    reaches = [
        _reach(crane, middles[crane.name], name, drawn[name], entry.at)
        for crane in cranes
        if (found := site.nodes[crane.name].crane) is not None
        for name, entry in found.places.items()
    ]
    return YardPicture(cranes, rows, reaches, width + GAP, y)


def _row(site: Site, places: Sequence[Place], middles: dict[str, float], y: float) -> list[DrawnPlace]:
    """Each below those who reach it, and none over another."""
    wanted = sorted(((_below(site, place, middles), place) for place in places), key=lambda pair: pair[0])
    row: list[DrawnPlace] = []
    left = GAP
    for middle, place in wanted:
        width = max(150.0, place.columns * (SLOT_WIDTH + 4) + 2 * EDGE)
        x = max(left, middle - width / 2)
        height = HEAD + place.tiers * (SLOT_HEIGHT + 3) + EDGE
        row.append(DrawnPlace(place, x, y, width, height, list(_slots(place)), _stops(site, place, middles)))
        if place.kind is PlaceKind.DECK:
            y += height + 40  # Each on a lane of its own.
        else:
            left = x + width + GAP
    return row


def _below(site: Site, place: Place, middles: dict[str, float]) -> float:
    over = [middles[name] for name in site.cranes_reaching(place.name)]
    return sum(over) / len(over) if over else GAP


def _slots(place: Place) -> Iterable[DrawnSlot]:
    for number in range(place.slots):
        column, tier = divmod(number, place.tiers)
        y = HEAD + (place.tiers - 1 - tier) * (SLOT_HEIGHT + 3)
        yield DrawnSlot(number, EDGE + column * (SLOT_WIDTH + 4), y)


def _stops(site: Site, place: Place, middles: dict[str, float]) -> list[tuple[str, float]]:
    """Stops of a deck and their middles: below the crane that works there, else in a row behind."""
    shuttle = site.nodes[place.node].shuttle if place.kind is PlaceKind.DECK else None
    if shuttle is None:
        return []
    under: dict[str, float] = {}
    for name, middle in middles.items():
        found = site.nodes[name].crane
        entry = found.places.get(place.name) if found is not None else None
        if entry is not None and entry.at:
            under.setdefault(entry.at, middle)
    last = max(under.values(), default=GAP + CRANE_WIDTH / 2)
    for stop in shuttle.stops:
        if stop not in under:
            last += STEP
            under[stop] = last
    return [(stop, under[stop]) for stop in shuttle.stops]


def _reach(crane: DrawnCrane, middle: float, name: str, drawn: DrawnPlace, at: str) -> Reach:
    x = dict(drawn.stops).get(at, drawn.middle)
    return Reach(crane.name, name, middle, crane.y + CRANE_HEIGHT, x, drawn.y)
