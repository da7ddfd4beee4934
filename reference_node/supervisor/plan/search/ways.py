"""The ways of one box between two spots, and what no way round avoids: the ground of the lower bound."""

from __future__ import annotations

import heapq
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from itertools import permutations

from protocol.site import PlaceKind
from reference_node.supervisor.plan.search.problem import IN_SPREADER
from reference_node.supervisor.plan.search.yard import NOWHERE, Yard

Vertex = tuple[int, str]
"""Number of a spot and, on a deck, the stop at which it stands."""
Far = dict[Vertex, int]


@dataclass(frozen=True, slots=True)
class Edge:
    """One hop by a crane, or one run of a shuttle with what stands on it."""

    start: Vertex
    end: Vertex
    node: int
    weight: int
    stops: tuple[str, str] | None = None


@dataclass(frozen=True, slots=True)
class Share:
    """What one node has to do at least for a trip: at least `head` ms after its start, `tail` ms before its end."""

    head: int
    work: int
    tail: int


class Ways:
    """Least times over the graph of spots (Dijkstra, 1959), found as they are asked for and kept."""

    def __init__(self, yard: Yard) -> None:
        self.yard = yard
        self._out: dict[Vertex, list[Edge]] = {}
        self._into: dict[Vertex, list[Edge]] = {}
        for edge in self._edges():
            self._out.setdefault(edge.start, []).append(edge)
            self._into.setdefault(edge.end, []).append(edge)
        self._from: dict[Vertex, Far] = {}
        self._to: dict[Vertex, Far] = {}
        self._work: dict[tuple[int, Vertex], Far] = {}
        self._lifts: dict[Vertex, Far] = {}
        self._runs: dict[tuple[int, tuple[str, str], Vertex], Far] = {}
        self._shares: dict[tuple[Vertex, Vertex, int], Share | None] = {}

    def least(self, start: Vertex, end: Vertex) -> int | None:
        """The least time of the whole trip; None where there is no way."""
        if start not in self._from:
            self._from[start] = _dijkstra(start, self._out, lambda edge: edge.end, lambda edge: edge.weight)
        return self._from[start].get(end)

    def lifts(self, start: Vertex, end: Vertex) -> int:
        """The least work of all cranes together on any way; a run may carry several boxes and counts nothing."""
        if end not in self._lifts:
            self._lifts[end] = _dijkstra(
                end, self._into, lambda edge: edge.start, lambda edge: 0 if edge.stops else edge.weight
            )
        return self._lifts[end].get(start, 0)

    def share(self, start: Vertex, end: Vertex, crane: int) -> Share | None:
        """What a crane, by its number as a node, cannot be spared; None where it can be."""
        key = (start, end, crane)
        if key not in self._shares:
            work = self._only(crane, end).get(start, 0)
            self._shares[key] = self._share(start, end, crane, work) if work else None
        return self._shares[key]

    def _share(self, start: Vertex, end: Vertex, crane: int, work: int) -> Share:
        self.least(start, end)
        before, after = self._from[start], self._back(end)
        own = [edge for edges in self._out.values() for edge in edges if edge.node == crane]
        head = min((before[edge.start] for edge in own if edge.start in before), default=0)
        tail = min((after[edge.end] for edge in own if edge.end in after), default=0)
        return Share(head, work, tail)

    def runs(self, start: Vertex, end: Vertex, shuttle: int, stops: tuple[str, str]) -> Share | None:
        """The same for one run of a shuttle with the box; None where it can be done without."""
        key = (shuttle, stops, end)
        if key not in self._runs:
            self._runs[key] = _dijkstra(
                end, self._into, lambda edge: edge.start,
                lambda edge: int(edge.node == shuttle and edge.stops == stops),
            )  # fmt: skip
        if not self._runs[key].get(start):
            return None
        self.least(start, end)
        before, after = self._from[start], self._back(end)
        own = [e for edges in self._out.values() for e in edges if e.node == shuttle and e.stops == stops]
        return Share(
            min((before[edge.start] for edge in own if edge.start in before), default=0),
            min(edge.weight for edge in own),
            min((after[edge.end] for edge in own if edge.end in after), default=0),
        )

    def least_away(self, start: Vertex, crane: int) -> int:
        """The least time in which a crane takes a box away from a spot."""
        return min((edge.weight for edge in self._out.get(start, ()) if edge.node == crane), default=0)

    def least_into(self, end: Vertex, crane: int) -> int:
        """The least time in which a crane brings a box to a spot."""
        return min((edge.weight for edge in self._into.get(end, ()) if edge.node == crane), default=0)

    def _only(self, node: int, end: Vertex) -> Far:
        if (node, end) not in self._work:
            self._work[node, end] = _dijkstra(
                end, self._into, lambda edge: edge.start, lambda edge: edge.weight if edge.node == node else 0
            )
        return self._work[node, end]

    def _back(self, end: Vertex) -> Far:
        if end not in self._to:
            self._to[end] = _dijkstra(end, self._into, lambda edge: edge.start, lambda edge: edge.weight)
        return self._to[end]

    # ------------------------------------------------------------ the graph
    def vertices(self, spot: int) -> tuple[Vertex, ...]:
        """The spot, on a deck at every stop."""
        place = self.yard.site.places.get(self.yard.spots[spot].place)
        if place is None or place.kind is not PlaceKind.DECK:
            return ((spot, ""),)
        return tuple((spot, stop) for stop in self.stops(place.node))

    def stops(self, shuttle: str) -> tuple[str, ...]:
        """Where a shuttle stops."""
        found = self.yard.site.nodes[shuttle].shuttle
        return found.stops if found is not None else ()

    def _edges(self) -> Iterator[Edge]:
        yard = self.yard
        for crane, name in enumerate(yard.cranes):
            places = yard.crane_site(crane).places
            known: Mapping[int, str] = {
                number: places[spot.place].at
                for number, spot in enumerate(yard.spots)
                if spot.place in places
            }
            own = next(n for n, spot in enumerate(yard.spots) if spot.place == IN_SPREADER + name)
            sources = {**known, own: ""}
            for source, at in sources.items():
                for target, there in known.items():
                    if source != target and yard.may_go(source, target):
                        weight = yard.cost(crane, NOWHERE, source, target)
                        yield Edge((source, at), (target, there), yard.number[name], weight)
        weight = yard.durations.run_ms + yard.durations.order_ms
        for number, spot in enumerate(yard.spots):
            place = yard.site.places.get(spot.place)
            if place is not None and place.kind is PlaceKind.DECK:
                for a, b in permutations(self.stops(place.node), 2):
                    yield Edge((number, a), (number, b), yard.number[place.node], weight, (a, b))


def _dijkstra(
    start: Vertex,
    edges: Mapping[Vertex, list[Edge]],
    far_end: Callable[[Edge], Vertex],
    weigh: Callable[[Edge], int],
) -> Far:
    far: Far = {}
    heap = [(0, start)]
    while heap:
        way, here = heapq.heappop(heap)
        if here in far:
            continue
        far[here] = way
        for edge in edges.get(here, ()):
            there = far_end(edge)
            if there not in far:
                heapq.heappush(heap, (way + weigh(edge), there))
    return far
