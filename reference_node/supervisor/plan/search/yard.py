"""The moves that a yard allows, and what they change and cost: the model that the search walks through.

Two nodes whose machines may meet never work at the same time (`Rules.beside`), and whatever one task needs of
another (a box set down, a slot cleared, a shuttle that has come) passes between two such nodes. So the times
at which the nodes are free are all that a schedule needs, and every schedule can be told as a list of
tasks, each started as soon as its node and those beside it are free.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import NamedTuple

from protocol.site import CraneSite, PlaceKind
from reference_node.supervisor.observe.boxes import Spot
from reference_node.supervisor.observe.neighbours import beside
from reference_node.supervisor.plan.goal_state import Visit
from reference_node.supervisor.plan.search.problem import Problem, Task, spreader

NOWHERE = -1
"""A box that has not come yet or has left; a slot with nothing in it."""


class State(NamedTuple):
    """The yard between two tasks, without times. Tuples follow the order of the yard's lists."""

    boxes: tuple[int, ...]
    """For each label: number of its spot, or NOWHERE."""
    trains: tuple[tuple[int, bool], ...]
    """For each berth: how many of its visits were let in, and whether a train stands there."""
    stops: tuple[str, ...]
    """Where each shuttle stands; '' where nobody knows."""
    cranes: tuple[int, ...]
    """Number of the spot that each crane was at last, or NOWHERE."""


class Step(NamedTuple):
    """A task that may be done now, the number of its node, its cost in ms, and what comes of it."""

    task: Task
    node: int
    cost: int
    not_before: int
    after: State


class Yard:
    """The rules of one problem. Lists: `nodes`, `cranes`, `shuttles`, `berths`, `labels` of boxes, `spots`."""

    def __init__(self, problem: Problem) -> None:
        site, goal_state = problem.site, problem.goal_state
        self.problem, self.site, self.goal_state, self.durations = (
            problem,
            site,
            goal_state,
            problem.durations,
        )
        self.cranes = tuple(node.name for node in site.with_role("crane"))
        self.shuttles = tuple(node.name for node in site.with_role("shuttle"))
        self.berths = tuple(node.name for node in site.with_role("berth"))
        self.nodes = tuple(dict.fromkeys((*self.cranes, *self.shuttles, *self.berths)))
        self.number: Mapping[str, int] = {name: index for index, name in enumerate(self.nodes)}
        self.near = tuple(
            tuple(self.number[other] for other in (name, *beside(site, name)) if other in self.number)
            for name in self.nodes
        )
        self.spots = (
            *(Spot(place.name, slot) for place in site.places.values() for slot in range(place.slots)),
            *(spreader(crane) for crane in self.cranes),
        )
        self.spot = {spot: number for number, spot in enumerate(self.spots)}
        self.visits = {
            berth: tuple(visit for visit in goal_state.visits if visit.berth == berth)
            for berth in self.berths
        }
        brought = [box for visit in goal_state.visits for box in visit.brings if box not in ("", "?")]
        self.labels = tuple(dict.fromkeys([*problem.boxes, *brought]))
        self.targets = self._find_targets()
        self.unsure = frozenset(self.spot[spot] for spot in problem.unsure)
        self._kind = [site.places[s.place].kind if s.place in site.places else None for s in self.spots]
        self.above = [self._beside_in_column(spot, 1) for spot in self.spots]
        self._below = [self._beside_in_column(spot, -1) for spot in self.spots]
        self._reach = tuple(self._within_reach(number) for number in range(len(self.cranes)))
        self._tasks: dict[tuple[int, int, int, int], Task] = {}
        self._costs: dict[tuple[int, int, int, int], int] = {}

    def start(self) -> State:
        """How things stand."""
        problem = self.problem
        return State(
            tuple(
                self.spot[problem.boxes[label]] if label in problem.boxes else NOWHERE
                for label in self.labels
            ),
            tuple((problem.let_in.get(berth, 0), berth in problem.at_rest) for berth in self.berths),
            tuple(problem.stops.get(shuttle, "") for shuttle in self.shuttles),
            tuple(
                self.spot.get(problem.at[crane], NOWHERE) if crane in problem.at else NOWHERE
                for crane in self.cranes
            ),
        )

    def crane_site(self, crane: int) -> CraneSite:
        """What the site says of a crane, by its number."""
        found = self.site.nodes[self.cranes[crane]].crane
        assert found is not None
        return found

    # ------------------------------------------------------------ goals
    def _find_targets(self) -> dict[int, tuple[int, int, int]]:
        """Label to spot, berth and number of the visit there; both -1 for a box that is to stay."""
        found = {
            self.labels.index(box): (self.spot[spot], NOWHERE, NOWHERE)
            for box, spot in self.goal_state.boxes.items()
            if box in self.labels
        }
        for berth, visits in self.visits.items():
            for index, visit in enumerate(visits):
                for slot, box in visit.takes.items():
                    if box in self.labels:
                        spot = self.spot[Spot(self.track(berth), slot)]
                        found[self.labels.index(box)] = (spot, self.berths.index(berth), index)
        return found

    def track(self, berth: str) -> str:
        """The place of a berth."""
        place = self.site.place_of(berth)
        return place.name if place is not None else ""

    def is_goal(self, state: State) -> bool:
        """Whether all that is wished is so."""
        goal_state = self.goal_state
        known = all(box in self.labels for box in goal_state.boxes)
        return (
            known
            and all(
                state.boxes[label] == spot
                for label, (spot, berth, _) in self.targets.items()
                if berth == NOWHERE
            )
            and all(self._visited(number, state) for number in range(len(self.berths)))
            and all(
                stop == state.stops[self.shuttles.index(shuttle)]
                for shuttle, stop in goal_state.shuttles.items()
            )
        )

    def _visited(self, number: int, state: State) -> bool:
        visits, (let_in, at_rest) = self.visits[self.berths[number]], state.trains[number]
        if let_in < len(visits):
            return False
        if not visits or not at_rest:
            return True
        return not visits[-1].departs and self.loaded(visits[-1], state)

    def loaded(self, visit: Visit, state: State) -> bool:
        """Whether all that the train takes stands on it."""
        track = self.track(visit.berth)
        return all(
            box in self.labels and state.boxes[self.labels.index(box)] == self.spot[Spot(track, slot)]
            for slot, box in visit.takes.items()
        )

    # ------------------------------------------------------------ moves
    def steps(self, state: State) -> Iterator[Step]:
        """Everything that may be done now."""
        holds = [NOWHERE] * len(self.spots)
        for label, spot in enumerate(state.boxes):
            if spot != NOWHERE:
                holds[spot] = label
        for crane in range(len(self.cranes)):
            yield from self._transfers(crane, state, holds)
        for number, shuttle in enumerate(self.shuttles):
            yield from self._runs(number, shuttle, state)
        for number, berth in enumerate(self.berths):
            yield from self._trains(number, berth, state, holds)

    def _runs(self, number: int, shuttle: str, state: State) -> Iterator[Step]:
        found, here = self.site.nodes[shuttle].shuttle, state.stops[number]
        for stop in found.stops if found is not None and here else ():
            if stop != here:
                stops = (*state.stops[:number], stop, *state.stops[number + 1 :])
                cost = self.durations.run_ms + self.durations.order_ms
                yield Step(
                    Task(shuttle, "run", stop=stop),
                    self.number[shuttle],
                    cost,
                    0,
                    state._replace(stops=stops),
                )

    def _trains(self, number: int, berth: str, state: State, holds: list[int]) -> Iterator[Step]:
        visits, (let_in, at_rest) = self.visits[berth], state.trains[number]
        node, times = self.number[berth], self.durations
        if not at_rest and let_in < len(visits):
            visit, boxes = visits[let_in], list(state.boxes)
            for slot, box in enumerate(visit.brings):
                if box in self.labels:
                    boxes[self.labels.index(box)] = self.spot[Spot(self.track(berth), slot)]
            after = state._replace(boxes=tuple(boxes), trains=self._with(state, number, (let_in + 1, True)))
            wait = max(0, visit.not_before_ms - self.problem.now_ms)
            yield Step(
                Task(berth, "admit", train=visit.train), node, times.admit_ms + times.order_ms, wait, after
            )
        elif at_rest and self._may_leave(berth, let_in, state, holds):
            train = visits[let_in - 1].train if 0 < let_in <= len(visits) else ""
            track = self.track(berth)
            boxes = [NOWHERE if s != NOWHERE and self.spots[s].place == track else s for s in state.boxes]
            after = state._replace(boxes=tuple(boxes), trains=self._with(state, number, (let_in, False)))
            yield Step(Task(berth, "depart", train=train), node, times.depart_ms + times.order_ms, 0, after)

    def _with(self, state: State, number: int, train: tuple[int, bool]) -> tuple[tuple[int, bool], ...]:
        return (*state.trains[:number], train, *state.trains[number + 1 :])

    def _may_leave(self, berth: str, let_in: int, state: State, holds: list[int]) -> bool:
        """What it takes is on it, and nothing that is wanted elsewhere or by a later train."""
        visits, track = self.visits[berth], self.track(berth)
        if not visits:
            return False
        visit = visits[let_in - 1] if 0 < let_in <= len(visits) else None
        stays = visit is not None and let_in == len(visits) and not visit.departs
        if stays or (visit is not None and not self.loaded(visit, state)):
            return False
        mine = set(visit.takes.values()) if visit is not None else set()
        spots = [number for number, spot in enumerate(self.spots) if spot.place == track]
        on_it = [holds[spot] for spot in spots if holds[spot] != NOWHERE]
        return self.unsure.isdisjoint(spots) and all(
            self.labels[label] in mine or not self.is_wanted(label, state) for label in on_it
        )

    def is_wanted(self, label: int, state: State) -> bool:
        """Whether a box still has to be somewhere: not on a train that has left."""
        if label not in self.targets:
            return False
        _, berth, index = self.targets[label]
        let_in, at_rest = state.trains[berth] if berth != NOWHERE else (0, False)
        return berth == NOWHERE or index >= let_in or (index == let_in - 1 and at_rest)

    def _transfers(self, crane: int, state: State, holds: list[int]) -> Iterator[Step]:
        within = [spot for spot in self._reach[crane] if self._is_there(crane, spot, state)]
        held = holds[self.spot[spreader(self.cranes[crane])]]
        if held != NOWHERE:
            sources = [self.spot[spreader(self.cranes[crane])]]
        else:
            sources = [spot for spot in within if self._may_pick(spot, holds)]
        for target in within:
            if holds[target] != NOWHERE or target in self.unsure:
                continue
            below = self._below[target]
            if below != NOWHERE and holds[below] == NOWHERE:
                continue
            for source in sources:
                if self._may_put(holds[source], source, target, state):
                    step = self._transfer(crane, holds[source], source, target, state)
                    if step.task not in self.problem.never:
                        yield step

    def _transfer(self, crane: int, label: int, source: int, target: int, state: State) -> Step:
        key = (crane, label, source, target)
        task = self._tasks.get(key)
        if task is None:
            start = self.spots[source] if self._kind[source] is not None else None
            task = Task(self.cranes[crane], "transfer", self.labels[label], start, self.spots[target])
            self._tasks[key] = task
        after = State(
            (*state.boxes[:label], target, *state.boxes[label + 1 :]),
            state.trains,
            state.stops,
            (*state.cranes[:crane], target, *state.cranes[crane + 1 :]),
        )
        cost = self.cost(crane, state.cranes[crane], source, target)
        return Step(task, self.number[self.cranes[crane]], cost, 0, after)

    def cost(self, crane: int, start: int, source: int, target: int) -> int:
        """How long a transfer takes, in ms; `start` is where the crane was last."""
        key = (crane, start, source, target)
        if key not in self._costs:
            self._costs[key] = self.durations.transfer(
                self.crane_site(crane),
                self.spots[start] if start != NOWHERE else None,
                self.spots[source] if self._kind[source] is not None else None,
                self.spots[target],
            )
        return self._costs[key]

    # ------------------------------------------------------------ reach and load
    def _within_reach(self, crane: int) -> tuple[int, ...]:
        places = self.crane_site(crane).places
        return tuple(number for number, spot in enumerate(self.spots) if spot.place in places)

    def _is_there(self, crane: int, spot: int, state: State) -> bool:
        """A deck stands at the crane's stop, a train at its berth; a stack is always there."""
        place = self.site.places[self.spots[spot].place]
        if place.kind is PlaceKind.DECK:
            return (
                state.stops[self.shuttles.index(place.node)] == self.crane_site(crane).places[place.name].at
            )
        return place.kind is not PlaceKind.TRACK or state.trains[self.berths.index(place.node)][1]

    def _may_pick(self, spot: int, holds: list[int]) -> bool:
        above = self.above[spot]
        return holds[spot] != NOWHERE and (
            above == NOWHERE or (holds[above] == NOWHERE and above not in self.unsure)
        )

    def _may_put(self, label: int, source: int, target: int, state: State) -> bool:
        if source == self._below[target] or not self.may_go(source, target):
            return False
        if self._kind[target] is not PlaceKind.TRACK:
            return True
        # On a train is set only what belongs there: it must not carry anything away by mistake.
        spot, berth, index = self.targets.get(label, (NOWHERE, NOWHERE, NOWHERE))
        return spot == target and (berth == NOWHERE or state.trains[berth][0] == index + 1)

    def may_go(self, source: int, target: int) -> bool:
        """Whether one order may name both: at most one berth, one shuttle [SUP-23]."""
        kind = self._kind[source]
        if kind is not self._kind[target] or kind in (None, PlaceKind.STACK):
            return True
        return self.spots[source].place == self.spots[target].place

    def _beside_in_column(self, spot: Spot, way: int) -> int:
        place = self.site.places.get(spot.place)
        if place is None:
            return NOWHERE
        slot = place.above(spot.slot) if way > 0 else place.below(spot.slot)
        return NOWHERE if slot is None else self.spot[Spot(spot.place, slot)]
