"""What no plan can do without, by its definition alone: all ways by Floyd and Warshall, all cliques by trying sets.

It shares no line with the planner's bound, keeps nothing and is as slow as it is plain.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from functools import cache
from itertools import combinations, permutations
from typing import ClassVar, NamedTuple

from protocol.site import PlaceKind, Site
from reference_node.supervisor.observe.boxes import Spot
from reference_node.supervisor.observe.neighbours import beside
from reference_node.supervisor.plan.search.durations import Durations
from reference_node.supervisor.plan.search.problem import Problem
from reference_node.supervisor.plan.search.yard import NOWHERE, State, Yard

Vertex = tuple[Spot, str]
Far = Mapping[tuple[Vertex, Vertex], int]


class Hop(NamedTuple):
    """By a crane from slot to slot, or by a shuttle from stop to stop."""

    start: Vertex
    end: Vertex
    node: str
    lasts: int
    is_run: bool = False


class Job(NamedTuple):
    head: int
    work: int
    tail: int


class Trip(NamedTuple):
    box: str
    start: Vertex
    end: Vertex
    head: int
    there_from: int
    tail: int


class Known:
    """A site that can be a key: it is itself alone."""

    of: ClassVar[dict[int, Known]] = {}

    def __init__(self, site: Site) -> None:
        self.site = site

    @classmethod
    def by(cls, site: Site) -> Known:
        """The same for the same site."""
        return cls.of.setdefault(id(site), cls(site))


@cache
def hops(known: Known, durations: Durations) -> tuple[Hop, ...]:
    """Every hop of a box that there is."""
    site = known.site
    found = []
    for node in site.with_role("crane"):
        assert node.crane is not None
        reach = {
            Spot(name, slot): place.at
            for name, place in node.crane.places.items()
            for slot in range(site.places[name].slots)
        }
        for target, there in reach.items():
            hangs = durations.transfer(node.crane, None, None, target)
            found.append(Hop((Spot(f"@{node.name}", 0), ""), (target, there), node.name, hangs))
            for source, here in reach.items():
                kinds = {site.places[spot.place].kind for spot in (source, target)}
                two = source.place != target.place and len(kinds) == 1 and kinds != {PlaceKind.STACK}
                if source != target and not two:
                    lasts = durations.transfer(node.crane, None, source, target)
                    found.append(Hop((source, here), (target, there), node.name, lasts))
    for place in site.places.values():
        shuttle = site.nodes[place.node].shuttle if place.kind is PlaceKind.DECK else None
        for a, b in permutations(shuttle.stops if shuttle else (), 2):
            for slot in range(place.slots):
                spot = Spot(place.name, slot)
                lasts = durations.run_ms + durations.order_ms
                found.append(Hop((spot, a), (spot, b), place.node, lasts, is_run=True))
    return tuple(found)


@cache
def far(known: Known, durations: Durations, weigh: str) -> Far:
    """The least weight of any way: `all`, `lifts`, of one crane alone, or `a>b`: how often with that run."""
    every = hops(known, durations)
    vertices = {vertex for hop in every for vertex in (hop.start, hop.end)}
    least = {(vertex, vertex): 0 for vertex in vertices}
    for hop in every:
        weight = {
            "all": hop.lasts,
            "lifts": 0 if hop.is_run else hop.lasts,
        }.get(weigh, hop.lasts if hop.node == weigh and not hop.is_run else 0)
        if ">" in weigh:
            weight = int(hop.is_run and f"{hop.start[1]}>{hop.end[1]}" == weigh)
        least[hop.start, hop.end] = min(weight, least.get((hop.start, hop.end), weight))
    for via in vertices:
        into = [(a, weight) for (a, b), weight in least.items() if b == via]
        onward = [(b, weight) for (a, b), weight in least.items() if a == via]
        for a, first in into:
            for b, second in onward:
                least[a, b] = min(first + second, least.get((a, b), first + second))
    return least


class ByDefinition:
    """Of one state of a yard. `free`: when each node has done what it is at."""

    def __init__(self, problem: Problem, state: State, free: Mapping[str, int]) -> None:
        yard = Yard(problem)
        self.problem, self.site, self.durations = problem, problem.site, problem.durations
        self.known, self.free = Known.by(problem.site), dict(free)
        self.boxes = {
            box: yard.spots[spot]
            for box, spot in zip(yard.labels, state.boxes, strict=True)
            if spot != NOWHERE
        }
        self.trains = dict(zip(yard.berths, state.trains, strict=True))
        self.stops = dict(zip(yard.shuttles, state.stops, strict=True))
        self.holds = {spot: box for box, spot in self.boxes.items()}
        self.near = {name: {name, *beside(self.site, name)} & set(yard.nodes) for name in yard.nodes}
        self.hops = hops(self.known, self.durations)
        self.trips = list(self._trips())

    # ------------------------------------------------------------ trains
    def _visits(self, berth: str) -> list[int]:
        visits = self.problem.goal_state.visits
        return [number for number, visit in enumerate(visits) if visit.berth == berth]

    def calls(self, berth: str) -> list[tuple[str, int, Job]]:
        """Each admit and depart to come, with the number of its visit."""
        own, (let_in, at_rest) = self._visits(berth), self.trains[berth]
        todo: list[tuple[str, int, int, int]] = []
        depart = self.durations.depart_ms + self.durations.order_ms
        admit = self.durations.admit_ms + self.durations.order_ms
        for order, number in enumerate(own):
            visit = self.problem.goal_state.visits[number]
            stays = order == len(own) - 1 and not visit.departs
            if order >= let_in:
                wait = max(0, visit.not_before_ms - self.problem.now_ms)
                todo.append(("admit", number, wait, admit))
            if not stays and (order >= let_in or (order == let_in - 1 and at_rest)):
                todo.append(("depart", number, 0, depart))
        if at_rest and not let_in and own:
            todo.insert(0, ("depart", -1, 0, depart))
        calls, at = [], 0
        for place, (act, number, wait, work) in enumerate(todo):
            at = max(at, wait)
            calls.append((act, number, Job(at, work, sum(later[3] for later in todo[place + 1 :]))))
            at += work
        return calls

    def _of_visit(self, number: int) -> tuple[int, int]:
        """When its train is at rest at the earliest, and what comes after it was loaded."""
        berth = self.problem.goal_state.visits[number].berth
        calls = self.calls(berth)
        for act, other, job in calls:
            if act == "admit" and other == number:
                return job.head + job.work, job.tail
        leaves = self.trains[berth][1] and any(act == "depart" for act, _, _ in calls)
        return 0, sum(job.work for _, _, job in calls) if leaves else 0

    # ------------------------------------------------------------ boxes
    def _trips(self) -> Iterator[Trip]:
        """In no order that matters."""
        known = {*self.boxes, *(box for visit in self.problem.goal_state.visits for box in visit.brings)}
        for box, target in self.problem.goal_state.boxes.items():
            if box in known and self.boxes.get(box) != target:
                yield from self._trip(box, target, None)
        for number, visit in enumerate(self.problem.goal_state.visits):
            track, (let_in, at_rest) = self.site.place_of(visit.berth), self.trains[visit.berth]
            order = self._visits(visit.berth).index(number)
            gone = order < let_in - 1 or (order == let_in - 1 and not at_rest)
            for slot, box in visit.takes.items():
                assert track is not None
                on_it = self.boxes.get(box) == Spot(track.name, slot) and order == let_in - 1
                if not gone and not on_it:
                    yield from self._trip(box, Spot(track.name, slot), number)

    def _trip(self, box: str, target: Spot, number: int | None) -> Iterator[Trip]:
        spot, head = self.boxes.get(box), 0
        if spot is None:
            for other, visit in enumerate(self.problem.goal_state.visits):
                order, track = self._visits(visit.berth).index(other), self.site.place_of(visit.berth)
                if box in visit.brings and order >= self.trains[visit.berth][0]:
                    assert track is not None
                    spot, head = Spot(track.name, visit.brings.index(box)), self._of_visit(other)[0]
        if spot is None or self._kind(target) is PlaceKind.DECK:
            return
        there_from, tail = self._of_visit(number) if number is not None else (0, 0)
        touched = min((max(self.free[one] for one in self.near[n]) for n in self._touch(spot)), default=0)
        yield Trip(box, self._vertex(spot), (target, ""), max(head, touched), there_from, tail)

    def _kind(self, spot: Spot) -> PlaceKind | None:
        place = self.site.places.get(spot.place)
        return place.kind if place is not None else None

    def _vertex(self, spot: Spot) -> Vertex:
        return spot, self.stops[self.site.places[spot.place].node] if self._kind(
            spot
        ) is PlaceKind.DECK else ""

    def _touch(self, spot: Spot) -> list[str]:
        """Who can move a box that stands there."""
        if self._kind(spot) is None:
            return [spot.place[1:]]
        deck = [self.site.places[spot.place].node] if self._kind(spot) is PlaceKind.DECK else []
        return [*self.site.cranes_reaching(spot.place), *deck]

    def _far(self, start: Vertex, end: Vertex, weigh: str = "all") -> int | None:
        return far(self.known, self.durations, weigh).get((start, end))

    def _column_above(self, spot: Spot) -> list[Spot]:
        place = self.site.places.get(spot.place)
        if place is None:
            return []
        last = spot.slot - spot.slot % place.tiers + place.tiers
        return [Spot(spot.place, slot) for slot in range(spot.slot + 1, last)]

    def _own(self, trip: Trip, own: list[Hop]) -> tuple[int, int]:
        """The least way to the first of these hops, and from the last to the end."""
        before = [self._far(trip.start, hop.start) for hop in own]
        after = [self._far(hop.end, trip.end) for hop in own]
        return (
            min((one for one in before if one is not None), default=0),
            min((one for one in after if one is not None), default=0),
        )

    # ------------------------------------------------------------ jobs that nobody can be spared for
    def of_cranes(self) -> Iterator[tuple[str, Job]]:
        """For each trip and crane: what it lifts on any way."""
        for trip in self.trips:
            for node in self.site.with_role("crane"):
                work = self._far(trip.start, trip.end, node.name)
                if work:
                    head, tail = self._own(trip, [hop for hop in self.hops if hop.node == node.name])
                    yield node.name, Job(trip.head + head, work, tail + trip.tail)

    def last_lifts(self) -> Iterator[tuple[str, Job]]:
        """Where one crane alone reaches the end: its lift to there, once the train has come."""
        for trip in self.trips:
            cranes = self.site.cranes_reaching(trip.end[0].place)
            if len(cranes) == 1 and self._far(trip.start, trip.end, cranes[0]):
                into = min(hop.lasts for hop in self.hops if hop.end == trip.end)
                yield cranes[0], Job(max(trip.there_from, trip.head), into, trip.tail)

    def in_the_way(self) -> dict[str, tuple[str, Job]]:
        """By box: the one crane that can take it away."""
        moved, found = {trip.box for trip in self.trips}, {}
        for trip in self.trips:
            spots, end = self._column_above(trip.start[0]), trip.end[0]
            if end in self.holds and trip.start != trip.end and self._kind(end) is not PlaceKind.TRACK:
                spots += [end, *self._column_above(end)]
            for spot in spots:
                box, cranes = self.holds.get(spot), self.site.cranes_reaching(spot.place)
                if box is not None and box not in moved and len(cranes) == 1:
                    away = [
                        hop.lasts
                        for hop in self.hops
                        if hop.start == self._vertex(spot) and hop.node == cranes[0]
                    ]
                    found[box] = (cranes[0], Job(0, min(away, default=0), 0))
        return found

    def of_shuttles(self) -> Iterator[tuple[str, Job]]:
        """The loaded runs of the way that takes longest, with the empty ones back between them."""
        run = self.durations.run_ms + self.durations.order_ms
        for node in self.site.with_role("shuttle"):
            ways = []
            for a, b in permutations(node.shuttle.stops if node.shuttle else (), 2):
                own = [hop for hop in self.hops if hop.is_run and (hop.start[1], hop.end[1]) == (a, b)]
                needed = [trip for trip in self.trips if self._far(trip.start, trip.end, f"{a}>{b}")]
                if needed:
                    room = max(place.slots for place in self.site.places.values() if place.node == node.name)
                    loads = (len(needed) + room - 1) // room
                    head = min(trip.head + self._own(trip, own)[0] for trip in needed)
                    tail = min(trip.tail + self._own(trip, own)[1] for trip in needed)
                    there = run if self.stops[node.name] != a else 0
                    ways.append(Job(max(head, there), run * (loads + loads - 1), tail))
            if ways:
                yield node.name, max(ways, key=sum)

    # ------------------------------------------------------------ together
    def least_end(self) -> int:
        """No plan ends before."""
        trains = [(berth, job) for berth in self.trains for _, _, job in self.calls(berth)]
        each = [*trains, *self.of_cranes(), *self.in_the_way().values(), *self.of_shuttles()]
        bounds = [*self.free.values(), *(sum(job) for _, job in trains)]
        for trip in self.trips:
            way = self._far(trip.start, trip.end)
            if way is not None:
                bounds.append(max(trip.head + way, trip.there_from) + trip.tail)
        for clique in self._cliques():
            start = max(self.free[node] for node in clique)
            bounds += (
                one_after_the_other([job for node, job in jobs if node in clique], start)
                for jobs in (each, [*trains, *self.last_lifts()])
            )
        return max(bounds)

    def _cliques(self) -> Iterator[tuple[str, ...]]:
        """Sets of nodes of which each is beside each; that others contain some of them changes no maximum."""
        for size in range(1, len(self.near) + 1):
            for nodes in combinations(self.near, size):
                if all(b in self.near[a] for a in nodes for b in nodes):
                    yield nodes

    def least_work(self) -> int:
        """No plan takes less work, all nodes together."""
        lifts = [self._far(trip.start, trip.end, "lifts") or 0 for trip in self.trips]
        jobs = [*self.in_the_way().values(), *self.of_shuttles()]
        trains = [job.work for berth in self.trains for _, _, job in self.calls(berth)]
        return sum((*lifts, *(job.work for _, job in jobs), *trains))

    def matters(self) -> set[str]:
        """Boxes that have to go somewhere, those in their way, and those on a deck."""
        spots = [spot for spot in self.holds if self._kind(spot) is PlaceKind.DECK]
        for trip in self.trips:
            spots += [*self._column_above(trip.start[0]), trip.end[0], *self._column_above(trip.end[0])]
        return {trip.box for trip in self.trips} | {self.holds[spot] for spot in spots if spot in self.holds}


def one_after_the_other(jobs: list[Job], start: int) -> int:
    """The greatest of least head, all work and least tail, over all sets of jobs."""
    bounds = [0]
    for head in {job.head for job in jobs}:
        for tail in {job.tail for job in jobs}:
            some = [job for job in jobs if job.head >= head and job.tail >= tail]
            if some:
                bounds.append(max(head, start) + sum(job.work for job in some) + tail)
    return max(bounds)
