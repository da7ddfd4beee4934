"""The ground that a plan is drawn on: what the site file says of where things are, in drawing units.

A site file gives every slot in the axes of the crane that reaches it and no distance between two cranes. So
each group of cranes that share a stack or a track is one panel, their axes taken as parallel, and a shuttle's
deck appears in every panel that it can stand in. A drawing unit is one unit of the first axis. Plan: first
axis to the right, second axis down. Elevation: first axis to the right, the hoist down.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from itertools import combinations, pairwise

from protocol.position_table import OutsideTable, PositionTable
from protocol.site import CranePlace, CraneSite, PlaceKind, Site

ISO_LENGTH_TO_WIDTH = 6058 / 2438
"""Outside length to width of a 20 foot container, ISO 668 (figures from memory)."""
FALLBACK_LENGTH = 90.0
FILL = 0.86
"""How much of the way to its neighbour a box takes up: the site file says no size."""


@dataclass(frozen=True, slots=True)
class Point:
    """Drawing units: along the first axis, across it, and down from the safe height of the hoist."""

    x: float
    y: float
    z: float


@dataclass(frozen=True, slots=True)
class Spot:
    """One slot as one crane finds it; on a track, of a train that stands at the middle of the table."""

    place: str
    slot: int
    tier: int
    crane: str
    at: Point


@dataclass(frozen=True, slots=True)
class Reach:
    """What a crane's axes allow."""

    crane: str
    left: float
    right: float
    top: float
    bottom: float
    deepest: float


@dataclass(slots=True)
class Panel:
    """One drawing: cranes whose positions can be compared."""

    number: int
    unit: str
    reaches: list[Reach] = field(default_factory=list)
    spots: list[Spot] = field(default_factory=list)

    @property
    def cranes(self) -> list[str]:
        """Names of the cranes in it."""
        return [reach.crane for reach in self.reaches]

    @property
    def left(self) -> float:
        """The left edge of all that is reached."""
        return min(reach.left for reach in self.reaches)

    @property
    def right(self) -> float:
        """The right edge."""
        return max(reach.right for reach in self.reaches)

    @property
    def top(self) -> float:
        """The upper edge of the plan."""
        return min(reach.top for reach in self.reaches)

    @property
    def bottom(self) -> float:
        """The lower edge of the plan."""
        return max(reach.bottom for reach in self.reaches)

    @property
    def floor(self) -> float:
        """The lowest slot, or without one as deep as a hoist goes."""
        depths = [spot.at.z for spot in self.spots] or [reach.deepest for reach in self.reaches]
        return max(depths)

    def places(self) -> list[str]:
        """Names of the places in it, each once."""
        return list(dict.fromkeys(spot.place for spot in self.spots))


class PlanGeometry:
    """All panels of a site, and where a crane's positions lie in them."""

    def __init__(self, site: Site) -> None:
        self.site = site
        self._frames = {name: _Frame(crane) for name, crane in _cranes(site).items()}
        self._origins: dict[str, tuple[float, float]] = {}
        self._tables = {
            (name, place): PositionTable.of(found.table)
            for name, crane in _cranes(site).items()
            for place, found in crane.places.items()
            if found.table
        }
        self.panels = [self._panel(number, names) for number, names in enumerate(_groups(site))]
        self.length = _box_length(self.panels)
        self.width = self.length / ISO_LENGTH_TO_WIDTH
        self.height = _box_height(self.panels, self.width)

    def point(self, crane: str, position: tuple[int, ...]) -> Point:
        """Where an axis position of `crane` lies in its panel. Raises KeyError for no crane of the site."""
        return self._frames[crane].point(position, self._origins[crane])

    def axes(self, crane: str) -> int:
        """How many axes the site file gives `crane`."""
        return len(self._frames[crane].crane.axes)

    def train_shift(self, crane: str, place: str, reading: int) -> float | None:
        """How far along the first axis a train at `reading` stands from where its spots are; None if unknown."""
        try:
            return self._tables[crane, place].position(reading) - self._usual(crane, place)
        except (OutsideTable, KeyError):
            return None

    def _usual(self, crane: str, place: str) -> int:
        """The middle of a measured table; 0 for a place without."""
        table = self._tables.get((crane, place))
        return table.position((table.low + table.high) // 2) if table else 0

    def _panel(self, number: int, names: list[str]) -> Panel:
        panel = Panel(number, self._frames[names[0]].crane.axes[0].unit)
        for name in names:
            frame = self._frames[name]
            self._origins[name] = self._origin(name, names)
            low, high = frame.corners(self._origins[name])
            panel.reaches.append(Reach(name, low.x, high.x, low.y, high.y, max(low.z, high.z)))
            for place, found in frame.crane.places.items():
                if place not in panel.places():
                    panel.spots += self._spots(name, place, found)
        return panel

    def _spots(self, crane: str, place: str, found: CranePlace) -> Iterator[Spot]:
        tiers = self.site.places[place].tiers
        for slot, position in enumerate(found.slots):
            yield Spot(place, slot, slot % tiers, crane, self._stands(crane, place, position))

    def _stands(self, crane: str, place: str, position: tuple[int, ...]) -> Point:
        at = self.point(crane, position)
        return Point(at.x + self._usual(crane, place), at.y, at.z)

    def _origin(self, name: str, names: list[str]) -> tuple[float, float]:
        """Where the crane's zero lies: so that the slots it shares with a crane before it fall together."""
        self._origins[name] = (0.0, 0.0)
        for other in names[: names.index(name)]:
            for place in _shared(self.site, name, other):
                theirs, mine = (
                    self._stands(crane, place, self._frames[crane].crane.places[place].slots[0])
                    for crane in (other, name)
                )
                return theirs.x - mine.x, theirs.y - mine.y
        return 0.0, 0.0


class _Frame:
    """One crane's axes in drawing units; axes of another unit are scaled to look right, no more."""

    def __init__(self, crane: CraneSite) -> None:
        self.crane = crane
        axes = crane.axes
        self._across = axes[1] if len(axes) == 3 else None
        self._along = axes[0] if len(axes) > 1 else None
        span = float(self._along.most - self._along.least) if self._along else FALLBACK_LENGTH
        hoist = axes[-1]
        self._depth = self._scale(hoist.unit, hoist.most - hoist.least, span / 4)
        self._breadth = (
            self._scale(self._across.unit, self._across.most - self._across.least, span / 3)
            if self._across
            else 1.0
        )
        slots = [slot[-1] for place in crane.places.values() for slot in place.slots]
        self._down = -1.0 if slots and sum(slots) / len(slots) < crane.travel else 1.0

    def _scale(self, unit: str, extent: int, wanted: float) -> float:
        same = self._along is None or unit == self._along.unit
        return 1.0 if same or not extent else wanted / extent

    def point(self, position: tuple[int, ...], origin: tuple[float, float]) -> Point:
        x = float(position[0]) if self._along else 0.0
        y = position[1] * self._breadth if self._across else 0.0
        z = (position[-1] - self.crane.travel) * self._down * self._depth
        return Point(x + origin[0], y + origin[1], z)

    def corners(self, origin: tuple[float, float]) -> tuple[Point, Point]:
        least = self.point(tuple(axis.least for axis in self.crane.axes), origin)
        most = self.point(tuple(axis.most for axis in self.crane.axes), origin)
        return least, most


def _cranes(site: Site) -> Mapping[str, CraneSite]:
    return {name: node.crane for name, node in site.nodes.items() if node.crane is not None}


def _shared(site: Site, one: str, other: str) -> list[str]:
    """Places that stand still and are reached by both: a deck may stand at another stop for each."""
    first, second = _cranes(site)[one].places, _cranes(site)[other].places
    return [name for name in first if name in second and site.places[name].kind is not PlaceKind.DECK]


def _groups(site: Site) -> list[list[str]]:
    """Cranes that share places, in the order of the file, each after one that it shares with."""
    left = list(_cranes(site))
    groups = []
    while left:
        group = [left.pop(0)]
        for member in group:
            more = [name for name in left if _shared(site, member, name)]
            group += more
            left = [name for name in left if name not in more]
        groups.append(group)
    return groups


def _box_length(panels: list[Panel]) -> float:
    """As long as the nearest neighbour in its row or beside it lets a box be."""
    pairs = [pair for panel in panels for pair in combinations((spot.at for spot in panel.spots), 2)]
    gaps = [abs(one.x - other.x) for one, other in pairs if one.y == other.y and one.x != other.x]
    gaps += [
        abs(one.y - other.y) * ISO_LENGTH_TO_WIDTH
        for one, other in pairs
        if one.x == other.x and one.y != other.y
    ]
    return FILL * min(gaps, default=FALLBACK_LENGTH)


def _box_height(panels: list[Panel], width: float) -> float:
    """The step from tier to tier where there is one: boxes stand on each other."""
    steps = [
        abs(upper.at.z - lower.at.z)
        for panel in panels
        for lower, upper in pairwise(panel.spots)
        if upper.tier and upper.place == lower.place
    ]
    return min([step for step in steps if step], default=width)
