"""A time below which no plan can end, and work without which none can be.

Nodes of which no two may work at once (a clique) do their work one after the other, like jobs on one machine
with heads and tails: for any set of jobs, the least head, all the work and the least tail add up (the bound of
Carlier, 1982, European Journal of Operational Research 11; the numbers from memory).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple

from protocol.site import PlaceKind
from reference_node.supervisor.plan.search.problem import IN_SPREADER
from reference_node.supervisor.plan.search.ways import Vertex, Ways
from reference_node.supervisor.plan.search.yard import NOWHERE, State, Yard


class Job(NamedTuple):
    """Work of one node: not before `head`, both in ms from the plan's start; `tail` ms are needed after it."""

    head: int
    work: int
    tail: int


class Trip(NamedTuple):
    """A box that is not where it has to be: from where, to where, not before, and what comes after it."""

    label: int
    start: Vertex
    end: Vertex
    head: int
    tail: int
    there_from: int
    """When its target can take it at the earliest: a train that has to come first."""


class Bound:
    """The lower bound of one yard's states."""

    def __init__(self, yard: Yard) -> None:
        self.yard = yard
        self.ways = Ways(yard)
        self._cliques = tuple(cliques([set(near) for near in yard.near]))
        self._only_crane = [self._sole(number) for number in range(len(yard.spots))]
        self._work: dict[State, int] = {}

    def of(self, state: State, free: Sequence[int]) -> int:
        """The least time, in ms from the plan's start, at which the last goal can be met."""
        trips = list(self._trips(state, free))
        bound = max(free, default=0)
        jobs: list[list[Job]] = [[] for _ in self.yard.nodes]
        last: list[list[Job]] = [[] for _ in self.yard.nodes]
        for number, berth in enumerate(self.yard.berths):
            found = self._of_trains(number, state)
            jobs[self.yard.number[berth]] += found
            last[self.yard.number[berth]] += found
        for trip in trips:
            bound = max(bound, self._alone(trip))
            for crane in range(len(self.yard.cranes)):
                self._share(trip, crane, jobs, last)
        for job_of, job in self._in_the_way(state, trips):
            jobs[job_of].append(job)
        for shuttle in self.yard.shuttles:
            jobs[self.yard.number[shuttle]] += self._of_shuttle(shuttle, state, trips)
        for clique in self._cliques:
            start = max(free[node] for node in clique)
            for of_node in (jobs, last):
                bound = max(bound, one_machine([job for node in clique for job in of_node[node]], start))
        return bound

    def work(self, state: State) -> int:
        """The least work still to be done, in ms, that of all nodes together."""
        if state not in self._work:
            self._work[state] = self._work_of(state)
        return self._work[state]

    def _work_of(self, state: State) -> int:
        """Lifts of each box that has to go or make way, loaded runs, trains: nothing is counted twice."""
        trips = list(self._trips(state, (0,) * len(self.yard.nodes)))
        lifts = (self.ways.lifts(trip.start, trip.end) for trip in trips)
        away = (job.work for _, job in self._in_the_way(state, trips))
        runs = (job.work for shuttle in self.yard.shuttles for job in self._of_shuttle(shuttle, state, trips))
        trains = (
            job.work for number in range(len(self.yard.berths)) for job in self._of_trains(number, state)
        )
        return sum((*lifts, *away, *runs, *trains))

    def matters(self, state: State) -> set[int]:
        """Boxes that have to go somewhere, those in their way, and those that take up a deck."""
        trips = list(self._trips(state, (0,) * len(self.yard.nodes)))
        found = {trip.label for trip in trips}
        holds = {spot: label for label, spot in enumerate(state.boxes) if spot != NOWHERE}
        for trip in trips:
            for spot in (*self._column_above(trip.start[0]), trip.end[0], *self._column_above(trip.end[0])):
                if spot in holds:
                    found.add(holds[spot])
        decks = {place.name for place in self.yard.site.places.values() if place.kind is PlaceKind.DECK}
        return found | {label for spot, label in holds.items() if self.yard.spots[spot].place in decks}

    # ------------------------------------------------------------ boxes
    def _trips(self, state: State, free: Sequence[int]) -> Iterator[Trip]:
        for label, (target, berth, index) in self.yard.targets.items():
            spot = state.boxes[label]
            if not self.yard.is_wanted(label, state):
                continue
            if spot == target and (berth == NOWHERE or state.trains[berth][0] == index + 1):
                continue
            head = 0
            if spot == NOWHERE:
                spot, head = self._comes_with(label, state)
                if spot == NOWHERE:
                    continue
            start, ends = self._vertex(spot, state), self.ways.vertices(target)
            if start is None or len(ends) != 1:
                continue
            tail, there_from = self._of_visit(berth, index, state)
            head = max(head, self._first_touch(spot, free))
            yield Trip(label, start, ends[0], head, tail, there_from)

    def _vertex(self, spot: int, state: State) -> Vertex | None:
        place = self.yard.site.places.get(self.yard.spots[spot].place)
        if place is None or place.kind is not PlaceKind.DECK:
            return spot, ""
        return spot, state.stops[self.yard.shuttles.index(place.node)]

    def _first_touch(self, spot: int, free: Sequence[int]) -> int:
        """When a node that reaches the box is free at the earliest, and all beside it."""
        place = self.yard.spots[spot].place
        yard = self.yard
        if place.startswith(IN_SPREADER):
            names: Sequence[str] = (place.removeprefix(IN_SPREADER),)
        else:
            site_place = yard.site.places[place]
            deck = (site_place.node,) if site_place.kind is PlaceKind.DECK else ()
            names = (*yard.site.cranes_reaching(place), *deck)
        numbers = [yard.number[name] for name in names]
        return min((max(free[near] for near in yard.near[number]) for number in numbers), default=0)

    def _comes_with(self, label: int, state: State) -> tuple[int, int]:
        """Where a box will be that a train is still to bring, and when at the earliest."""
        box, yard = self.yard.labels[label], self.yard
        for number, berth in enumerate(yard.berths):
            for index in range(state.trains[number][0], len(yard.visits[berth])):
                visit = yard.visits[berth][index]
                if box in visit.brings:
                    spot = next(
                        n for n, s in enumerate(yard.spots)
                        if s.place == yard.track(berth) and s.slot == visit.brings.index(box)
                    )  # fmt: skip
                    return spot, self._of_visit(number, index, state)[1]
        return NOWHERE, 0

    def _share(self, trip: Trip, crane: int, jobs: list[list[Job]], last: list[list[Job]]) -> None:
        node = self.yard.number[self.yard.cranes[crane]]
        share = self.ways.share(trip.start, trip.end, node)
        if share is None:
            return
        jobs[node].append(Job(trip.head + share.head, share.work, share.tail + trip.tail))
        if self._only_crane[trip.end[0]] == node:
            into = self.ways.least_into(trip.end, node)
            last[node].append(Job(max(trip.there_from, trip.head), into, trip.tail))

    def _alone(self, trip: Trip) -> int:
        """All the other machines standing ready."""
        way = self.ways.least(trip.start, trip.end)
        return 0 if way is None else max(trip.head + way, trip.there_from) + trip.tail

    def _in_the_way(self, state: State, trips: Sequence[Trip]) -> Iterator[tuple[int, Job]]:
        """Boxes that stand on those to be moved or where others have to stand: each is moved once at least."""
        moved = {trip.label for trip in trips}
        holds = {spot: label for label, spot in enumerate(state.boxes) if spot != NOWHERE}
        seen = set(moved)
        for trip in trips:
            column = self._column_above(trip.start[0])
            if trip.end[0] in holds and trip.start != trip.end and not self._on_a_track(trip.end[0]):
                column = [*column, trip.end[0], *self._column_above(trip.end[0])]
            for spot in column:
                label = holds.get(spot, NOWHERE)
                crane = self._only_crane[spot]
                if label == NOWHERE or label in seen or crane is None:
                    continue
                seen.add(label)
                vertex = self._vertex(spot, state)
                if vertex is not None:
                    yield crane, Job(0, self.ways.least_away(vertex, crane), 0)

    def _on_a_track(self, spot: int) -> bool:
        """What stands there may leave with its train."""
        return self.yard.site.places[self.yard.spots[spot].place].kind is PlaceKind.TRACK

    def _column_above(self, spot: int) -> list[int]:
        found = []
        while (spot := self.yard.above[spot]) != NOWHERE:
            found.append(spot)
        return found

    def _sole(self, spot: int) -> int | None:
        """The one crane that reaches a spot, as a node; None where several do."""
        cranes = self.yard.site.cranes_reaching(self.yard.spots[spot].place)
        return self.yard.number[cranes[0]] if len(cranes) == 1 else None

    # ------------------------------------------------------------ trains and shuttles
    def _of_trains(self, number: int, state: State) -> list[Job]:
        """The admits and departs that are still to come, in order."""
        yard, times = self.yard, self.yard.durations
        visits, (let_in, at_rest) = yard.visits[yard.berths[number]], state.trains[number]
        admit, depart = times.admit_ms + times.order_ms, times.depart_ms + times.order_ms
        todo: list[tuple[int, int]] = []
        if at_rest and (let_in < len(visits) or (visits and visits[-1].departs)):
            todo.append((0, depart))
        for index in range(let_in, len(visits)):
            todo.append((max(0, visits[index].not_before_ms - yard.problem.now_ms), admit))
            if index < len(visits) - 1 or visits[-1].departs:
                todo.append((0, depart))
        tails = [sum(work for _, work in todo[index + 1 :]) for index in range(len(todo))]
        jobs, at = [], 0
        for (wait, work), tail in zip(todo, tails, strict=True):
            at = max(at, wait)
            jobs.append(Job(at, work, tail))
            at += work
        return jobs

    def _of_visit(self, number: int, index: int, state: State) -> tuple[int, int]:
        """What a berth has to do after visit `index` was loaded, and when that train is at rest at the earliest."""
        if number == NOWHERE:
            return 0, 0
        yard, (let_in, at_rest) = self.yard, state.trains[number]
        visits = yard.visits[yard.berths[number]]
        jobs = self._of_trains(number, state)
        if index < let_in:
            departs = at_rest and (let_in < len(visits) or visits[-1].departs)
            return (sum(job.work for job in jobs) if departs else 0), 0
        admit = (1 if at_rest and jobs else 0) + 2 * (index - let_in)
        return jobs[admit].tail, jobs[admit].head + jobs[admit].work

    def _of_shuttle(self, shuttle: str, state: State, trips: Sequence[Trip]) -> list[Job]:
        """Loaded runs one way and the empty ones back between them, the way that takes longest."""
        yard, stops = self.yard, self.ways.stops(shuttle)
        room = max((place.slots for place in yard.site.places.values() if place.node == shuttle), default=1)
        run = yard.durations.run_ms + yard.durations.order_ms
        best: Job | None = None
        for way in ((a, b) for a in stops for b in stops if a != b):
            needed = [
                (trip, share)
                for trip in trips
                if (share := self.ways.runs(trip.start, trip.end, yard.number[shuttle], way)) is not None
            ]
            if not needed:
                continue
            loads = -(-len(needed) // room)
            away = state.stops[yard.shuttles.index(shuttle)] != way[0]
            head = min(trip.head + share.head for trip, share in needed)
            job = Job(
                max(head, run if away else 0),
                (2 * loads - 1) * run,
                min(share.tail + trip.tail for trip, share in needed),
            )
            if best is None or sum(job) > sum(best):
                best = job
        return [best] if best is not None else []


def one_machine(jobs: Sequence[Job], start: int) -> int:
    """The greatest, over sets of jobs, of least head, all work and least tail together; 0 for no jobs."""
    best = 0
    for tail in {job.tail for job in jobs}:
        late = sorted((job for job in jobs if job.tail >= tail), reverse=True)
        work = 0
        for job in late:
            work += job.work
            best = max(best, max(job.head, start) + work + tail)
    return best


def cliques(near: Sequence[set[int]]) -> Iterator[tuple[int, ...]]:
    """All maximal cliques (Bron and Kerbosch, 1973, Communications of the ACM 16)."""

    def grow(clique: set[int], may: set[int], seen: set[int]) -> Iterator[tuple[int, ...]]:
        if not may and not seen:
            yield tuple(sorted(clique))
        for node in sorted(may):
            others = near[node] - {node}
            yield from grow(clique | {node}, may & others, seen & others)
            may = may - {node}
            seen = seen | {node}

    return grow(set(), set(range(len(near))), set())
