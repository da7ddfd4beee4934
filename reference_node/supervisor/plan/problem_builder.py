"""How the yard stands, as a problem for the planner: only what is known, and by name what is missing."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any

from protocol.site import PlaceKind, Site
from reference_node.supervisor.observe.boxes import EMPTY, UNSURE, Spot
from reference_node.supervisor.observe.yard_state import YardState
from reference_node.supervisor.plan.goal_state import GoalState, Visit
from reference_node.supervisor.plan.next_step import route
from reference_node.supervisor.plan.search.durations import Durations
from reference_node.supervisor.plan.search.problem import IN_SPREADER, Problem, Task, spreader

Body = Mapping[str, Any]
BESIDES = frozenset({"home", "park", "jog"})
"""Jobs that move no box, no train and no shuttle."""


class ProblemBuilder:
    """What is known beyond the newest words: which trains have been, what was refused for good."""

    def __init__(self, site: Site, been: Mapping[str, Sequence[str]]) -> None:
        self.been = {node.name: list(been.get(node.name, ())) for node in site.with_role("berth")}
        """Names of the trains that were let in at each berth, the one that stands there last."""
        self._site = site
        self._on_track: set[str] = set()
        """Berths where the last of `been` is taken to stand."""
        self._again: set[tuple[str, str]] = set()
        """Trains that were taken off the track and come again: nobody knows what they bring."""
        self._never: frozenset[Task] = frozenset()
        self._at: dict[str, Spot] = {}

    def begin(self, *, first: bool) -> None:
        """Another goal state: none of its trains has been."""
        if not first:
            self.been = {berth: [] for berth in self.been}
        self._on_track, self._again, self._never = set(), set(), frozenset()

    # ------------------------------------------------------------ what happened
    def done(self, task: Task) -> None:
        """A task has come to its end as wished."""
        if task.target is not None:
            self._at[task.node] = task.target
        if task.act == "admit":
            self.been[task.node].append(task.train)
            self._on_track.add(task.node)
        elif task.act == "depart":
            self._on_track.discard(task.node)
        if task.act in ("admit", "depart"):
            self._never = frozenset(one for one in self._never if not self._is_at(one, task.node))

    def never_again(self, task: Task) -> None:
        """A node refused a task in a way that no waiting fixes."""
        self._never |= {task}

    def went_wrong(self, task: Task) -> None:
        """An admit or depart failed: a train that comes is taken off and comes again, one that goes is gone."""
        if task.act == "admit":
            self._again.add((task.node, task.train))
        else:
            self._on_track.discard(task.node)

    def look_at_trains(self, state: YardState, goal_state: GoalState, under_way: Collection[str]) -> None:
        """Which of the goal state's trains stands there, by its own name; a lost one has to come again."""
        for berth, been in self.been.items():
            word = state.word(berth, "train-arrival")
            if word is None or berth in under_way or not state.idle(berth):
                continue
            train = str(word.get("train", ""))
            if word["state"] == "at-rest" and any(
                (v.berth, v.train) == (berth, train) for v in goal_state.visits
            ):
                if train not in been:
                    been.append(train)
                self._on_track.add(berth)
            elif word["state"] == "lost" and berth in self._on_track:
                self._on_track.discard(berth)
                self._again.add((berth, been.pop()))

    def _is_at(self, task: Task, berth: str) -> bool:
        place = self._site.place_of(berth)
        return place is not None and any(
            spot is not None and spot.place == place.name for spot in (task.source, task.target)
        )

    # ------------------------------------------------------------ the goal state as far as it can be planned for
    def possible(
        self, state: YardState, goal_state: GoalState, hopeless: Collection[tuple[str, str]]
    ) -> tuple[GoalState, str]:
        """The goal state without what cannot be planned for now, and why; '' where all of it can be."""
        why: list[str] = []
        visits: list[Visit] = []
        known = _known_boxes(state)
        for berth in self.been:
            visits += self._visits(state, berth, goal_state, hopeless, known, why)
        brought = {
            box: self._track_of(v) for v in visits for box in v.brings if v.train not in self.been[v.berth]
        }
        starts = {**{box: spot.place for box, spot in known.items()}, **brought}
        boxes = {
            box: spot
            for box, spot in goal_state.boxes.items()
            if self._can_be_brought(state, box, spot.place, starts, why)
        }
        return GoalState(boxes, tuple(visits), goal_state.shuttles), "; ".join(dict.fromkeys(why))

    def _visits(
        self,
        state: YardState,
        berth: str,
        goal_state: GoalState,
        hopeless: Collection[tuple[str, str]],
        known: Mapping[str, Spot],
        why: list[str],
    ) -> Iterator[Visit]:
        """Those that have been, then those to come, up to the first that has to wait for a box."""
        of_berth = {visit.train: visit for visit in goal_state.visits if visit.berth == berth}
        been = [of_berth[train] for train in self.been[berth] if train in of_berth]
        starts = {box: spot.place for box, spot in known.items()}
        wanted = self._wanted(goal_state, hopeless)
        standing = been[-1] if been and berth in self._on_track else None
        for visit in been:
            if visit is not standing:
                yield replace(visit, takes={})
        if standing is not None:
            visit = self._as_can_be(state, standing, starts, wanted, why)
            yield visit
            if not visit.departs:
                return
        if not _is_usable(state, berth):
            why.append(f"nobody knows what stands on {berth}")
            return
        for train, visit in of_berth.items():
            if train in self.been[berth]:
                continue
            if (berth, train) in hopeless:
                why.append(f"train {train} does not come to rest at {berth}")
                continue
            visit = replace(visit, brings=()) if (berth, train) in self._again else visit
            starts |= dict.fromkeys(
                (box for box in visit.brings if box not in (EMPTY, UNSURE)), self._track_of(visit)
            )
            planned = self._as_can_be(state, visit, starts, wanted, why)
            yield planned
            if planned != visit:
                return

    def _wanted(self, goal_state: GoalState, hopeless: Collection[tuple[str, str]]) -> dict[str, str]:
        """Every box that is to be somewhere, and the place."""
        wanted = {box: spot.place for box, spot in goal_state.boxes.items()}
        for visit in goal_state.visits:
            if (visit.berth, visit.train) not in hopeless:
                wanted |= dict.fromkeys(visit.takes.values(), self._track_of(visit))
        return wanted

    def _as_can_be(
        self,
        state: YardState,
        visit: Visit,
        starts: Mapping[str, str],
        wanted: Mapping[str, str],
        why: list[str],
    ) -> Visit:
        """A train waits for a box that it takes and that cannot be had, and for one that cannot be taken off it."""
        track = self._track_of(visit)
        takes = {
            slot: box
            for slot, box in visit.takes.items()
            if self._can_be_brought(state, box, track, starts, why)
        }
        if len(takes) < len(visit.takes):
            return replace(visit, takes=takes, departs=False)
        keeps = any(self._waits_on(state, track, box, target, starts) for box, target in wanted.items())
        return replace(visit, departs=False) if keeps else visit

    def _waits_on(
        self, state: YardState, track: str, box: str, target: str, starts: Mapping[str, str]
    ) -> bool:
        """Whether a box stands, or may stand, on the train and cannot be brought now to where it could be."""
        perhaps = track if UNSURE in state.boxes.slots[track] else ""
        if starts.get(box, perhaps) != track or target == track or not route(self._site, track, target):
            return False
        return not self._can_be_brought(state, box, target, starts, [])

    def _can_be_brought(
        self, state: YardState, box: str, target: str, starts: Mapping[str, str], why: list[str]
    ) -> bool:
        start = starts.get(box)
        if start is None:
            why.append(f"nobody knows where box {box} is")
            return False
        if start == target or start.startswith(IN_SPREADER):
            return True
        way = route(self._site, start, target)
        if not way:
            why.append(f"no crane brings a box from {start} to {target}")
            return False
        for place in (start, *(there for _, there in way)):
            owner = self._site.places[place].node
            if self._site.places[place].kind is PlaceKind.DECK and not _is_usable(state, owner):
                why.append(f"nobody knows where {owner} stands")
                return False
        return True

    def _track_of(self, visit: Visit) -> str:
        place = self._site.place_of(visit.berth)
        return place.name if place is not None else ""

    # ------------------------------------------------------------ the problem
    def now(
        self, state: YardState, goal_state: GoalState, expected: Problem | None, under_way: Mapping[str, Task]
    ) -> Problem | str:
        """How things stand before what is under way has ended; or what is missing to say so.

        Of a node that has said nothing since its last job holds what was `expected`: nothing speaks against it,
        and nothing is started there before it has spoken.
        """
        for name, node in state.nodes.items():
            if node.job and name not in under_way and node.job not in BESIDES:
                return f"waits for the end of an order by hand: {name} {node.job}"
        silent = [name for name, node in state.nodes.items() if not node.has_reported]
        if expected is None and silent:
            return f"no word yet from {', '.join(silent)}"
        stops = {
            node.name: _stop(state, node.name, expected, under_way)
            for node in self._site.with_role("shuttle")
        }
        at_rest = frozenset(berth for berth in self.been if _stands(state, berth, expected, under_way))
        let_in = {berth: len(been) for berth, been in self.been.items()}
        boxes, unsure = _known_boxes(state), frozenset(_unsure(state, at_rest))
        return Problem(self._site, goal_state, boxes, unsure, stops, let_in, at_rest, never=self._never)

    def timed(
        self, problem: Problem, now_ms: int, busy_ms: Mapping[str, int], durations: Durations
    ) -> Problem:
        """The problem with the times that a plan has to know."""
        return replace(problem, at=dict(self._at), busy_ms=busy_ms, now_ms=now_ms, durations=durations)


def all_have_reported(state: YardState) -> bool:
    """Whether every node has said, since its last job, that it has none."""
    return all(node.idle and node.has_reported for node in state.nodes.values())


def _is_usable(state: YardState, node: str) -> bool:
    """Whether a berth or shuttle is not lost, as far as heard."""
    words = [state.word(node, message) for message in ("train-arrival", "shuttle-status")]
    return all(word is None or word["state"] != "lost" for word in words)


def _stop(state: YardState, shuttle: str, expected: Problem | None, under_way: Mapping[str, Task]) -> str:
    word = state.word(shuttle, "shuttle-status")
    if word is not None or shuttle in under_way or expected is None:
        return str((word or {}).get("place", ""))
    return expected.stops.get(shuttle, "")


def _stands(state: YardState, berth: str, expected: Problem | None, under_way: Mapping[str, Task]) -> bool:
    if berth in under_way:
        return under_way[berth].act == "depart"
    word = state.word(berth, "train-arrival")
    if word is not None or expected is None:
        return word is not None and word["state"] == "at-rest"
    return berth in expected.at_rest


def _known_boxes(state: YardState) -> dict[str, Spot]:
    boxes = state.boxes
    found = {
        box: Spot(place, slot)
        for place, slots in boxes.slots.items()
        for slot, box in enumerate(slots)
        if box not in (EMPTY, UNSURE)
    }
    held = {box: spreader(crane) for crane, box in boxes.spreaders.items() if box not in (EMPTY, UNSURE)}
    return found | held


def _unsure(state: YardState, at_rest: Collection[str]) -> Iterator[Spot]:
    """Slots of which nobody knows what they hold; a track without a train has none."""
    for place, slots in state.boxes.slots.items():
        site_place = state.site.places[place]
        if site_place.kind is not PlaceKind.TRACK or site_place.node in at_rest:
            yield from (Spot(place, slot) for slot, box in enumerate(slots) if box == UNSURE)


def applied(problem: Problem, task: Task) -> Problem:
    """How things stand once `task` has come to its end as wished."""
    if task.act == "transfer" and task.target is not None:
        return replace(problem, boxes={**problem.boxes, task.box: task.target})
    if task.act == "run":
        return replace(problem, stops={**problem.stops, task.node: task.stop})
    place = problem.site.place_of(task.node)
    track = place.name if place is not None else ""
    elsewhere = {box: spot for box, spot in problem.boxes.items() if spot.place != track}
    sure = frozenset(spot for spot in problem.unsure if spot.place != track)
    let_in = problem.let_in.get(task.node, 0)
    visits = [visit for visit in problem.goal_state.visits if visit.berth == task.node]
    if task.act == "depart":
        gone = visits[let_in - 1] if 0 < let_in <= len(visits) else None
        others = tuple(replace(one, takes={}) if one is gone else one for one in problem.goal_state.visits)
        goal_state = replace(problem.goal_state, visits=others)
        at_rest = problem.at_rest - {task.node}
        return replace(problem, goal_state=goal_state, boxes=elsewhere, unsure=sure, at_rest=at_rest)
    brings = visits[let_in].brings if let_in < len(visits) else ()
    unsure = [Spot(track, slot) for slot in range(place.slots)] if place is not None and not brings else []
    come = {box: Spot(track, slot) for slot, box in enumerate(brings) if box not in (EMPTY, UNSURE)}
    return replace(
        problem,
        boxes=elsewhere | come,
        unsure=sure | frozenset(unsure),
        at_rest=problem.at_rest | {task.node},
        let_in={**problem.let_in, task.node: let_in + 1},
    )
