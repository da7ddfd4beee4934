"""The yard of a site file as a drawing: places in rows, the cranes that join them, and every node on the bus.

Rows are layers: two places that one crane reaches lie in the same row or in neighbouring ones. So it is as narrow as
a phone, and any yard can be drawn.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from protocol.site import Place, Site

WIDTH = 344.0
LEFT = 34.0
CARD, CARD_HEIGHT, GAP = 146.0, 92.0, 14.0
BAND = 52.0
"""Height of the row of one crane."""
PER_ROW = 2
FLOOR = 56.0
"""How far below the top of a card its lowest boxes stand."""
MOST = 24
"""Places that a drawing shows at most."""


@dataclass(frozen=True, slots=True)
class Box:
    """One slot."""

    x: float
    y: float
    width: float
    height: float


@dataclass(frozen=True, slots=True)
class Card:
    """One place: its frame, its slots, and the node that it belongs to."""

    x: float
    y: float
    name: str
    kind: str
    node: str
    slots: tuple[Box, ...]


@dataclass(frozen=True, slots=True)
class Beam:
    """One crane: where it hangs, and the lines to what it reaches, as x, y, y."""

    y: float
    name: str
    reaches: tuple[tuple[float, float, float], ...]


@dataclass(frozen=True, slots=True)
class Stub:
    """The line of a node to the bus: its height, and where it ends; `up` leads on to a card above it."""

    y: float
    x: float
    up: float = 0


@dataclass(frozen=True, slots=True)
class YardDrawing:
    """The whole drawing."""

    width: float
    height: float
    cards: tuple[Card, ...]
    beams: tuple[Beam, ...]
    stubs: tuple[Stub, ...]
    supervisors: tuple[tuple[float, str], ...]
    left_out: int


def yard_drawing(site: Site) -> YardDrawing:
    """Lay a site out; the same site always gives the same drawing."""
    layers = _layers(site)
    shown = [place for layer in layers for place in layer]
    layers = [[place for place in layer if place in shown[:MOST]] for layer in layers]
    y, cards, bands, stubs = 8.0, {}, {}, []
    for number, layer in enumerate(layers):
        for at in range(0, len(layer), PER_ROW):
            row = layer[at : at + PER_ROW]
            for place, x in zip(row, _columns(len(row)), strict=True):
                cards[place.name] = _card(place, x, y)
                if place.node:
                    stubs.append(Stub(y + CARD_HEIGHT + GAP / 2, x + 18, GAP / 2))
            y += CARD_HEIGHT + GAP
        for crane in _cranes_below(site, layers, number):
            bands[crane] = y
            y += BAND
    beams = [_beam(site, crane, top, cards, at) for at, (crane, top) in enumerate(bands.items())]
    stubs += [Stub(beam.y, LEFT + 6) for beam in beams]
    supervisors = []
    for node in site.with_role("supervisor"):
        supervisors.append((y + 6, node.name))
        stubs.append(Stub(y + 21, LEFT + 6))
        y += 42
    left_out = max(0, len(shown) - MOST)
    return YardDrawing(
        WIDTH, y + 6, tuple(cards.values()), tuple(beams), tuple(stubs), tuple(supervisors), left_out
    )


def _layers(site: Site) -> list[list[Place]]:
    """The places by how many cranes lie between them and the first; what no crane joins begins again at the top."""
    reach = {node.name: set(node.crane.places) for node in site.nodes.values() if node.crane}
    depth: dict[str, int] = {}
    for start in site.places:
        if start in depth:
            continue
        front, level = [start], 0
        while front:
            depth.update(dict.fromkeys(front, level))
            joined = set().union(*(places for places in reach.values() if places & set(front)))
            front = [name for name in site.places if name in joined and name not in depth]
            level += 1
    deepest = max(depth.values(), default=-1)
    return [
        [place for place in site.places.values() if depth[place.name] == level]
        for level in range(deepest + 1)
    ]


def _cranes_below(site: Site, layers: Sequence[Sequence[Place]], number: int) -> list[str]:
    """The cranes whose first layer this is."""
    found = []
    for node in site.with_role("crane"):
        if node.crane is not None:
            rows = [
                at for at, layer in enumerate(layers) for place in layer if place.name in node.crane.places
            ]
            if rows and min(rows) == number:
                found.append(node.name)
    return found


def _columns(count: int) -> list[float]:
    free = WIDTH - LEFT
    return [LEFT + (free - CARD) / 2] if count == 1 else [LEFT, LEFT + CARD + GAP]


def _card(place: Place, x: float, y: float) -> Card:
    width = min(26.0, (CARD - 24) / place.columns)
    height = min(13.0, 40.0 / place.tiers)
    first = x + (CARD - width * place.columns) / 2
    slots = [
        Box(first + column * width + 1, y + FLOOR - (tier + 1) * height + 1, width - 2, height - 2)
        for column in range(place.columns)
        for tier in range(place.tiers)
    ]
    return Card(x, y, place.name, place.kind.value, place.node, tuple(slots))


def _beam(site: Site, crane: str, top: float, cards: dict[str, Card], at: int) -> Beam:
    y = top + BAND / 2 - 6
    part = site.nodes[crane].crane
    lines = []
    for name in part.places if part is not None else ():
        if name in cards:
            card = cards[name]
            x = card.x + CARD - 14 - 9 * (at % 4)
            lines.append((x, y, card.y + CARD_HEIGHT if card.y < y else card.y))
    return Beam(y, crane, tuple(lines))
