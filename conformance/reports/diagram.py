"""A transition table as a track plan: states are platforms one below the other, transitions are tracks.

What leads down the table runs on the right, what leads up on the left. All transitions into one state join one
track on each side, so lines never overlap and their number stays below that of the states. A track carries a number
where it leaves, and the legend says what it stands for: no line crosses a word, and a phone is wide enough.
"""

from __future__ import annotations

from dataclasses import dataclass

from protocol.transition_table import Table

BOX = 108.0
ROW = 17.0
GAP = 26.0
TRACK = 13.0
BADGE = 7.5
"""Radius of the disc that carries a number, in units of the drawing."""
ROOM = 26.0
"""Between a platform and its innermost track, for the discs."""
NAME = 7.4
"""Width of a letter of a state's name."""


@dataclass(frozen=True, slots=True)
class Platform:
    """One state: a box with its name, its initial or final mark, and a word more where there is one."""

    x: float
    y: float
    width: float
    height: float
    name: str
    kind: str
    note: str = ""


@dataclass(frozen=True, slots=True)
class Track:
    """One transition: a path, its number and where that stands, and what the legend says of it."""

    path: str
    number: int
    x: float
    y: float
    label: str
    source: str
    target: str
    group: int
    """Number of the state that it leads to; one colour a state."""


@dataclass(frozen=True, slots=True)
class Layout:
    """The whole drawing."""

    title: str
    width: float
    height: float
    platforms: tuple[Platform, ...]
    tracks: tuple[Track, ...]
    staying: tuple[tuple[str, str], ...] = ()
    """State and the events that leave it as it is."""


@dataclass(frozen=True, slots=True)
class _Edge:
    source: int
    target: int
    label: str

    @property
    def down(self) -> bool:
        return self.target > self.source


def plan(table: Table) -> Layout:
    """Lay a table out; the same table always gives the same drawing."""
    edges = _edges(table)
    tracks = {down: _tracks(edges, down) for down in (True, False)}
    box = max(BOX, *(len(one) * NAME + 14 for one in table.states))
    box_x = ROOM + TRACK * (len(tracks[False]) + 1)
    tops, heights = _rows(table, edges)
    numbers = _numbers(edges)
    drawn = []
    for down in (True, False):
        side = box_x + box if down else box_x
        start = side + ROOM if down else side - ROOM
        out = 1 if down else -1
        for number, target in enumerate(tracks[down]):
            x = start + out * TRACK * (number + 0.5)
            entry = tops[target] + 9
            for edge in edges:
                if edge.down == down and edge.target == target:
                    y = tops[edge.source] + ROW * (_port(edges, edge) + 1.35)
                    drawn.append(_track(table, edge, numbers[edge], side, x, y, entry, out))
    height = tops[-1] + heights[-1] + 8
    width = box_x + box + ROOM + TRACK * (len(tracks[True]) + 1)
    platforms = [
        Platform(box_x, tops[i], box, heights[i], state, _kind(table, state))
        for i, state in enumerate(table.states)
    ]
    by_number = tuple(sorted(drawn, key=lambda track: track.number))
    staying = tuple((state, events) for state in table.states if (events := _stays(table, state)))
    return Layout(table.title, round(width), round(height), tuple(platforms), by_number, staying)


def _edges(table: Table) -> list[_Edge]:
    """One edge for each pair of states, labelled with all its events and their guards."""
    labels: dict[tuple[int, int], list[str]] = {}
    for row in table.transitions:
        pair = (table.states.index(row.state), table.states.index(row.next))
        if pair[0] != pair[1]:
            guard = f" [{row.guard.replace('_', ' ')}]" if row.guard else ""
            labels.setdefault(pair, []).append(row.event + guard)
    return [_Edge(source, target, ", ".join(found)) for (source, target), found in labels.items()]


def _stays(table: Table, state: str) -> str:
    events = dict.fromkeys(row.event for row in table.leaving(state) if row.next == state)
    return ", ".join(events)


def _kind(table: Table, state: str) -> str:
    return "initial" if state == table.initial else "final" if state in table.final else "between"


def _tracks(edges: list[_Edge], down: bool) -> list[int]:
    """Targets of one side, the one with the shortest way innermost."""
    spans: dict[int, int] = {}
    for edge in edges:
        if edge.down == down:
            spans[edge.target] = max(spans.get(edge.target, 0), abs(edge.target - edge.source))
    return sorted(spans, key=lambda target: (spans[target], target))


def _numbers(edges: list[_Edge]) -> dict[_Edge, int]:
    """A number for each edge as the drawing is read: from the top down, the left of a platform before its right."""
    order = sorted(edges, key=lambda edge: (edge.source, edge.down, edge.target))
    return {edge: number for number, edge in enumerate(order, 1)}


def _port(edges: list[_Edge], edge: _Edge) -> int:
    """Which of the exits of its state an edge takes, counted from the top; each side counts by itself."""
    same = [other for other in edges if other.source == edge.source and other.down == edge.down]
    return sorted(same, key=lambda other: other.target).index(edge)


def _rows(table: Table, edges: list[_Edge]) -> tuple[list[float], list[float]]:
    """Top and height of every platform: as high as its exits need."""
    tops, heights, y = [], [], 10.0
    for number in range(len(table.states)):
        exits = max(
            sum(edge.source == number and edge.down == down for edge in edges) for down in (True, False)
        )
        height = max(ROW * (exits + 0.9), 44.0)
        tops.append(y)
        heights.append(height)
        y += height + GAP
    return tops, heights


def _track(
    table: Table, edge: _Edge, number: int, side: float, x: float, y: float, entry: float, out: int
) -> Track:
    """Out of the platform at height `y`, along the track at `x`, into the other platform at `entry`."""
    bend = 5.0 if entry > y else -5.0
    path = (
        f"M{side:g} {y:g}H{x - out * 5:g}Q{x:g} {y:g} {x:g} {y + bend:g}"
        f"V{entry - bend:g}Q{x:g} {entry:g} {x - out * 5:g} {entry:g}H{side + out * 2:g}"
    )
    here, there = table.states[edge.source], table.states[edge.target]
    return Track(path, number, side + out * ROOM / 2, y, edge.label, here, there, edge.target)
